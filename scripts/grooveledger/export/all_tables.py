"""All tables by name, for those who must know them all."""

from types import ModuleType

from grooveledger.measure.quantities import MEASURES
from grooveledger.schemas import collect, interpret, observe, segment
from grooveledger.schemas.table import Table


def _declared_in(module: ModuleType) -> dict[str, Table]:
    """Return the tables of a schema module's own stage: it may import others'."""
    stage = module.__name__.rpartition(".")[2]
    declared = [table for table in vars(module).values() if isinstance(table, Table)]
    return {table.name: table for table in declared if table.stage == stage}


TABLES: dict[str, Table] = {
    **_declared_in(segment),
    **_declared_in(observe),
    **{name: measure.table for name, measure in MEASURES.items()},
    **_declared_in(collect),
    **_declared_in(interpret),
}
OBSERVATIONS = tuple(_declared_in(observe))
