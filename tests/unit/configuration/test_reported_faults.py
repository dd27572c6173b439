"""How faults are told."""

import pytest

from grooveledger.faults import ConfigurationFaults, Fault


def fault(place, problem="is blank", file="captures.tsv"):
    return Fault(file, place, problem, "Fill it in.")


@pytest.mark.parametrize(
    ("faults", "told"),
    [
        ([fault("row 2, side")], ["captures.tsv: row 2, side: is blank. Fill it in."]),
        (
            [fault(f"row {n}, side") for n in (9, 3, 7, 8, 2)],
            ["captures.tsv: rows 2 to 3, 7 to 9, side: is blank. Fill it in."],
        ),
        (
            [fault("row 2, side"), fault("row 2, record"), fault("row 4, side")],
            [
                "captures.tsv: rows 2, 4, side: is blank. Fill it in.",
                "captures.tsv: row 2, record: is blank. Fill it in.",
            ],
        ),
        (
            [fault("row 2, side"), fault("row 3, side", "is odd"), fault("rpm"), fault("")],
            [
                "captures.tsv: row 2, side: is blank. Fill it in.",
                "captures.tsv: row 3, side: is odd. Fill it in.",
                "captures.tsv: rpm: is blank. Fill it in.",
                "captures.tsv: is blank. Fill it in.",
            ],
        ),
    ],
)
def test_rows_with_the_same_fault_share_a_line(faults, told):
    raised = ConfigurationFaults(faults)
    assert str(raised).splitlines() == told
    assert list(raised.faults) == faults
