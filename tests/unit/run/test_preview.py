"""What a run would do, in a person's words."""

import pytest

from grooveledger.run.jobs import Job
from grooveledger.run.preview import lines, reason, seconds
from grooveledger.run.rules import RULES
from grooveledger.run.staleness import Stale


def stale(rule: str, name: str = "", changed: tuple[str, ...] = (), missing: bool = False) -> Stale:
    return Stale(Job(rule, name, (), RULES[rule].decodes), missing, changed)


@pytest.mark.parametrize(
    ("item", "told"),
    [
        (stale("segment", missing=True), "not there yet"),
        (stale("measure", changed=("chain", "from")), "the chain changed"),
        (stale("measure", changed=("chain", "code")), "its code changed, the chain changed"),
        (stale("collect", changed=("from",)), "its inputs are made again"),
        (stale("drift"), "the existing result does not say what it was made from"),
    ],
)
def test_reasons_are_told_in_words(item, told):
    assert reason(item) == told


def test_jobs_are_grouped_by_what_and_why(tmp_path):
    folder = tmp_path / "benchmarks/measure"
    folder.mkdir(parents=True)
    (folder / "c1.tsv").write_text("s\th:m:s\n30.0\t0\n")
    (folder / "c2.tsv").write_text("s\th:m:s\n50.0\t0\n")
    found = [stale("measure", f"c{i}", ("chain",)) for i in range(1, 9)]
    found.append(stale("collect", changed=("from",)))
    times = seconds([item.job for item in found], tmp_path)
    # Known ones 30 and 50 s; the six others the median of those, 40 s; the collecting one unknown.
    assert sorted(time for time in times.values() if time) == [30.0, *[40.0] * 6, 50.0]
    told = lines(found, 20, times, cores=2)
    assert told == [
        "9 of 20 jobs would run:",
        "  calculate the figures of c1, c2, c3, c4, c5 and 3 more: the chain changed (5 min)",
        "  join the tables of all captures: its inputs are made again",
        "No audio is read.",
        "About 3 min on 2 cores by the times of the last run, 1 job of unknown length besides.",
    ]


def test_nothing_to_do_is_told():
    assert lines([], 5, {}, 1) == ["Nothing to do: all 5 jobs' results are up to date."]


def test_recordings_that_are_decoded_are_counted_once():
    found = [stale("segment", "a", ("sha256",)), stale("observe_orders", "a", ("from",))]
    told = lines(found, 2, dict.fromkeys([item.job for item in found]), 1)
    assert "1 recording would be decoded." in told
    assert told[-1] == "The time it takes is unknown before a first run."
