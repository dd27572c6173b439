"""All tables by name, for those who must know them all."""

from grooveledger.measure import quantities
from grooveledger.schemas import collect, interpret, measure, observe, segment
from grooveledger.schemas.table import Table

TABLES: dict[str, Table] = {
    table.name: table
    for stage in (segment, observe, measure, collect, interpret)
    for table in vars(stage).values()
    if isinstance(table, Table) and stage.__name__.endswith(table.stage)
}
# A measure may declare its table in its own module.
TABLES |= {name: quantities.load(name).TABLE for name in quantities.MEASURES}
OBSERVATIONS = tuple(name for name, table in TABLES.items() if table.stage == "observe")
MEASURES = tuple(name for name, table in TABLES.items() if table.stage == "measure")
