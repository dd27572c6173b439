"""The archive's tables from those of its captures: what is joined, refused, and passed over."""

import json

import numpy as np
import pytest

import make_tables
from grooveledger.faults import ConfigurationFaults
from grooveledger.interpret.collect import (
    JOINED_FROM,
    JOINED_TABLES,
    KEPT,
    collect_archive,
    collect_captures,
    joined_metrics,
)
from grooveledger.schemas.capture_metrics import CAPTURE_METRICS, REMARKS
from grooveledger.schemas.collect import BUDGETS, CAPTURES, METRICS
from grooveledger.schemas.segment import HEALTH, TRACKS
from grooveledger.storage import tables
from grooveledger.storage.provenance import FAILED

SHEET = make_tables.sheet_rows(12)


def health(rows=SHEET):
    """Facts of captures; the seventh is rejected, the twelfth flagged."""
    facts = [{**make_tables.health(row), "channel_order": "as_named"} for row in rows]
    return tables.build(HEALTH, {name: [f[name] for f in facts] for name in HEALTH.names})


def remarks(*said):
    capture, remark = zip(*said, strict=True) if said else ((), ())
    return tables.build(REMARKS, {"capture": list(capture), "track": None, "remark": list(remark)})


def scalars(captures, values, **changes):
    columns = {
        "capture": list(captures),
        "track": 3,
        "metric": "output_mv",
        "channel": "left",
        "value": list(values),
        "unit": "mV",
        "uncertainty": 0.1,
        "limited": False,
        "order_max": None,
        "track_position": 2,
        "u_noise": 0.1,
    }
    columns |= changes
    return tables.build(
        CAPTURE_METRICS, {name: columns.get(name) for name in CAPTURE_METRICS.names}
    )


def test_a_remark_flags_a_capture_that_was_ok_and_no_other():
    said = remarks(("c0000", "First."), ("c0000", "Second."), ("c0006", "Third."), ("c0011", "x"))
    rows = {row["capture"]: row for row in collect_captures(SHEET, health(), said).to_pylist()}
    assert list(rows) == [row["capture"] for row in SHEET]
    assert (rows["c0000"]["status"], rows["c0000"]["reason"]) == ("flagged", "First.; Second.")
    assert (rows["c0001"]["status"], rows["c0001"]["reason"]) == ("ok", "")
    assert rows["c0006"]["status"] == "rejected"
    assert rows["c0006"]["reason"].endswith("from the recorder.; Third.")
    assert rows["c0011"]["status"] == "flagged"
    assert rows["c0011"]["reason"].endswith("next capture.; x")
    # The sheet's cells and the file's facts side by side.
    assert rows["c0002"]["stylus_hours"] == SHEET[2]["stylus_hours"]
    assert rows["c0002"]["duration_s"] == 190.0
    assert rows["c0006"]["duration_s"] is None


def test_scalars_carry_the_cells_of_their_own_sheet_row():
    found = joined_metrics(SHEET, scalars(["c0002", "c0000"], [2.0, 1.0]))
    assert found["capture"].tolist() == ["c0000", "c0002"]
    assert found["value"].tolist() == [1.0, 2.0]
    for name in ("stylus", "stylus_hours", "captured_at", "record_plays", "temperature_c", "copy"):
        assert found[name].tolist() == [SHEET[0][name], SHEET[2][name]], name


NAMES = [row["capture"] for row in SHEET[:6]]


def archive(tmp_path, values=None, origin=None, names=NAMES):
    """Write the tables of captures and return what the job says of them."""
    for i, name in enumerate(names):
        folder = tmp_path / "captures" / name
        folder.mkdir(parents=True)
        value = values[i] if values else float(i)
        given = {
            "health": (HEALTH, health([SHEET[i]])),
            "remarks": (REMARKS, remarks()),
            "metrics": (CAPTURE_METRICS, scalars([name], [value])),
            **{table.name: (table, tables.empty(table)) for table in JOINED_TABLES},
        }
        given["tracks"] = (
            TRACKS,
            tables.build(
                TRACKS,
                {**dict.fromkeys(TRACKS.names), "capture": [name], "track": [i], "start_s": [5.0]},
            ),
        )
        for file, (table, rows) in given.items():
            rule = "segment" if file in ("health", "tracks") else "measure"
            facts = {"code": "x", "job": f"{rule} {name}", **((origin or {}).get(name) or {})}
            tables.write(table, rows, folder / f"{file}.parquet", facts)
    return {
        "code": "x",
        "captures": SHEET[: len(names)],
        "from": {
            rule: {name: f"{rule} {name}" for name in names} for rule in ("segment", "measure")
        },
    }


def collected(tmp_path, job, threads=1):
    output = tmp_path / "tables"
    output.mkdir(exist_ok=True)
    collect_archive(tmp_path / "captures", output, job, threads)
    return {path.stem: path for path in output.glob("*.parquet")}


def test_every_table_of_the_archive_holds_every_capture(tmp_path):
    found = collected(tmp_path, archive(tmp_path))
    wanted = {table.name for table in (*JOINED_TABLES, CAPTURES, METRICS, BUDGETS)}
    assert set(found) == wanted
    assert tables.read(found["tracks"])["capture"].to_pylist() == NAMES
    metrics = tables.columns(tables.read(found["metrics"]))
    assert metrics["capture"].tolist() == NAMES
    np.testing.assert_array_equal(metrics["value"], np.arange(6.0))
    assert metrics["stylus"].tolist() == [row["stylus"] for row in SHEET[:6]]
    budgets = tables.columns(tables.read(found["budgets"]))
    np.testing.assert_array_equal(metrics["expanded"], budgets["expanded"])
    np.testing.assert_array_equal(metrics["uncertainty"], budgets["uncertainty"])
    assert (metrics["uncertainty"] >= 0.1).all()
    assert FAILED not in tables.provenance(found["captures"])


def test_any_number_of_threads_gives_the_same_bytes(tmp_path):
    job = archive(tmp_path)
    one = {name: path.read_bytes() for name, path in collected(tmp_path, job).items()}
    many = {name: path.read_bytes() for name, path in collected(tmp_path, job, 4).items()}
    assert one == many


def test_tables_that_were_made_otherwise_are_refused_and_all_are_named(tmp_path):
    job = archive(tmp_path, origin={name: {"job": "old"} for name in ("c0003", "c0005")})
    with pytest.raises(ConfigurationFaults) as raised:
        collected(tmp_path, job)
    said = str(raised.value)
    assert all(name in said for name in ("c0003", "c0005"))
    assert "c0004" not in said
    assert not list((tmp_path / "tables").glob("metrics.parquet"))


def test_the_tracks_are_held_against_the_job_that_made_them(tmp_path):
    job = archive(tmp_path)
    job["from"]["segment"]["c0002"] = "another"
    with pytest.raises(ConfigurationFaults, match="c0002"):
        collected(tmp_path, job)


def test_captures_whose_jobs_failed_are_named_and_the_others_joined(tmp_path):
    error = {"job": "none", "error": "ValueError: x", "log": "logs/c0001.log"}
    found = collected(tmp_path, archive(tmp_path, origin={"c0001": error}))
    failed = json.loads(tables.provenance(found["captures"])[FAILED])
    assert failed == {"c0001": {"error": "ValueError: x", "log": "logs/c0001.log"}}
    assert tables.read(found["metrics"]).num_rows == 6


def test_where_every_capture_failed_the_tables_stay_as_they_are(tmp_path):
    error = {"job": "none", "error": "ValueError: x", "log": "logs/x.log"}
    job = archive(tmp_path, origin=dict.fromkeys(NAMES, error))
    with pytest.raises(RuntimeError, match=r"ValueError: x, see logs/x\.log"):
        collected(tmp_path, job)
    assert not list((tmp_path / "tables").iterdir())


def smaller(job, names):
    """The job of some of the captures."""
    return {
        **job,
        "captures": [row for row in job["captures"] if row["capture"] in names],
        "from": {rule: {n: d for n, d in made.items() if n in names}
                 for rule, made in job["from"].items()},
    }  # fmt: skip


def contents(found):
    return {name: path.read_bytes() for name, path in found.items()}


@pytest.mark.parametrize("before", [NAMES[:-1], NAMES[1:], NAMES[::2], [NAMES[3]]])
def test_what_is_joined_already_is_not_read_again_and_the_bytes_are_the_same(tmp_path, before):
    job = archive(tmp_path)
    afresh = contents(collected(tmp_path, job))
    collected(tmp_path, smaller(job, before))
    for name in before:  # what nobody opens may as well not be there
        for file in ("tracks", "remarks"):
            (tmp_path / "captures" / name / f"{file}.parquet").unlink()
    assert contents(collected(tmp_path, job)) == afresh
    # And with captures fewer again.
    (tmp_path / "tables" / JOINED_FROM).unlink()
    with pytest.raises(FileNotFoundError):
        collected(tmp_path, job)


@pytest.mark.parametrize("file", ["health", "remarks", "metrics"])
def test_what_is_kept_for_the_next_time_may_be_missing(tmp_path, file):
    job = archive(tmp_path)
    afresh = contents(collected(tmp_path, job))
    kept = tmp_path / "tables" / KEPT / f"{file}.parquet"
    before = kept.read_bytes()
    kept.unlink()
    assert contents(collected(tmp_path, job)) == afresh
    assert kept.read_bytes() == before


def test_a_capture_that_was_made_again_is_read_again(tmp_path):
    job = archive(tmp_path)
    collected(tmp_path, job)
    made_again = {"code": "x", "job": "made again"}
    folder = tmp_path / "captures" / "c0004"
    tables.write(HEALTH, health([SHEET[4]]), folder / "health.parquet", made_again)
    cells = {**dict.fromkeys(TRACKS.names), "capture": "c0004", "track": 4, "start_s": 7.0}
    tables.write(TRACKS, tables.build(TRACKS, cells), folder / "tracks.parquet", made_again)
    job["from"]["segment"]["c0004"] = "made again"
    found = tables.columns(tables.read(collected(tmp_path, job)["tracks"]))
    assert found["start_s"].tolist() == [7.0 if name == "c0004" else 5.0 for name in NAMES]


def test_tables_of_another_run_or_other_code_are_not_drawn_on(tmp_path):
    """A run that was killed between two tables left one of another job than the rest."""
    job = archive(tmp_path)
    collected(tmp_path, smaller(job, NAMES[:3]))
    state = tmp_path / "tables" / JOINED_FROM
    known = state.read_text(encoding="utf-8")
    whole = contents(collected(tmp_path, job))
    state.write_text(known, encoding="utf-8")
    lost = tmp_path / "captures" / NAMES[0] / "tracks.parquet"
    lost.rename(lost.with_suffix(".aside"))
    with pytest.raises(FileNotFoundError):
        collected(tmp_path, job)
    lost.with_suffix(".aside").rename(lost)
    assert contents(collected(tmp_path, job)) == whole
    lost.unlink()
    with pytest.raises(FileNotFoundError):
        collected(tmp_path, {**job, "code": "other"})


def test_a_capture_whose_job_fails_now_is_not_taken_from_before(tmp_path):
    job = archive(tmp_path)
    collected(tmp_path, job)
    files = {table.name: table for table in (*JOINED_TABLES, HEALTH, REMARKS)}
    files["metrics"] = CAPTURE_METRICS
    for name, table in files.items():
        rows = health([SHEET[2]]) if table is HEALTH else tables.empty(table)
        path = tmp_path / "captures" / "c0002" / f"{name}.parquet"
        tables.write(table, rows, path, {"code": "x", "error": "ValueError: x", "log": "logs/x"})
    found = collected(tmp_path, job)
    assert "c0002" not in tables.read(found["tracks"])["capture"].to_pylist()
    assert json.loads(tables.provenance(found["captures"])[FAILED]).keys() == {"c0002"}
