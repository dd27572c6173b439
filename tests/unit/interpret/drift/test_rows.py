"""A row of the drift table."""

from dataclasses import fields

from grooveledger.interpret.drift.rows import DriftRow
from grooveledger.schemas.interpret import DRIFT


def test_a_row_has_the_columns_of_its_table_and_no_others():
    assert {field.name for field in fields(DriftRow)} == set(DRIFT.names)
