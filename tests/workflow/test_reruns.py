"""What runs again after a change: exactly what depends on it, by counting jobs."""

import os
import re
import shutil
from pathlib import Path

import pytest
import yaml

from grooveledger.run.rules import OF_CAPTURE, RULES
from grooveledger.storage import provenance, tables
from workspace import Workspace, edited

#: Every job of three captures: sides a, b, a.
PAGES = {"capture_page": 3}
ARCHIVE_WIDE = {
    "collect": 1,
    "drift": 1,
    "loading": 1,
    "ratings": 1,
    "stylus_page": 1,
    "loading_page": 1,
    "index_pages": 1,
    "export": 1,
}
MEASURE_AND_LATER = {"measure": 3, **PAGES, **ARCHIVE_WIDE}
EVERYTHING = {
    "segment": 3,
    "observe_orders": 3,
    "observe_speed_trace": 3,
    "observe_noise_density": 3,
    **MEASURE_AND_LATER,
    "methods_pages": 1,
}


def planned(account: dict[str, int]) -> dict[str, int]:
    """Snakemake's jobs for results that are stale: some make several."""
    made_by = {name: rule.run_by for name, rule in RULES.items() if rule.run_by}
    plan = {made_by.get(rule, rule): count for rule, count in account.items()}
    # The pages of up to ten captures are one job.
    return plan | {rule: 1 for rule in plan if rule == "capture_pages"}


def check(workspace: Workspace, expected: dict[str, int]) -> None:
    """Snakemake's plan and the results' own account are what is expected, both."""
    assert workspace.account() == expected
    assert workspace.planned() == planned(expected)


def inodes(workspace: Workspace, *names: str) -> list[int]:
    """Which file each observation of the first capture is: one made anew is another."""
    folder = workspace.results / "captures/c01/observations"
    return [(folder / f"{name}.parquet").stat().st_ino for name in names]


def package(workspace: Workspace, module: str) -> Path:
    return workspace.project / "scripts" / "grooveledger" / f"{module}.py"


def test_nothing_is_left_to_do(measured):
    check(measured, {})


def test_the_library_lists_every_job_of_the_workflow(measured, tmp_path):
    config = yaml.safe_load(measured.config.read_text())
    fresh = Workspace(measured.project, tmp_path)
    fresh.config.write_text(yaml.safe_dump({**config, "results": str(tmp_path / "results")}))
    check(fresh, EVERYTHING)


def test_a_comment_or_a_docstring_runs_nothing_again(measured):
    module = package(measured, "measure/quantities/separation")
    with (
        edited(module, "import numpy", "# A remark.\nimport numpy"),
        edited(module, '"""Channel separation', '"""Separation of the channels'),
        edited(package(measured, "schemas/table"), '"""One column of', '"""A column of'),
    ):
        check(measured, {})


def test_a_preamplifier_curve_decodes_nothing(measured):
    curve = measured.folder / "curve.tsv"
    curve.write_text("frequency_hz\tgain_db_re_1khz\n20\t-0.4\n1000\t0\n20000\t-0.3\n")
    chains = measured.folder / "chains.yaml"
    with edited(chains, "gain_db: 36.0", f"gain_db: 36.0\n    response: {curve}"):
        check(measured, MEASURE_AND_LATER)


def test_a_fix_in_separation_measures_and_no_more(measured):
    with edited(
        package(measured, "measure/quantities/separation"),
        "\nimport numpy",
        "\nX = 1\nimport numpy",
    ):
        check(measured, MEASURE_AND_LATER)


def test_a_fix_in_order_tracking_reads_orders_alone(measured):
    with edited(
        package(measured, "observe/order_tracking"), "\nimport numpy", "\nX = 1\nimport numpy"
    ):
        check(measured, {"observe_orders": 3, **MEASURE_AND_LATER})


@pytest.mark.parametrize(
    ("module", "made", "left"),
    [
        ("speed_trace", ["speed_trace"], ["orders", "tone_spectrum", "noise_density"]),
        ("order_tracking", ["orders", "tone_spectrum"], ["speed_trace", "noise_density"]),
    ],
)
def test_a_fix_in_one_observation_makes_that_alone(measured, tmp_path, module, made, left):
    workspace = measured.copied(tmp_path / "archive")
    before = inodes(workspace, *made), inodes(workspace, *left)
    with edited(package(workspace, f"observe/{module}"), "\nimport numpy", "\nX = 1\nimport numpy"):
        workspace.run(str(workspace.results / "captures/c01/metrics.parquet"))
        after = inodes(workspace, *made), inodes(workspace, *left)
    assert after[1] == before[1]
    assert not any(new == old for new, old in zip(after[0], before[0], strict=True))


def test_a_page_that_is_missing_is_written_and_the_others_left(measured, tmp_path):
    workspace = measured.copied(tmp_path / "archive")
    gone, kept = (workspace.results / f"report/captures/{name}.html" for name in ("c02", "c01"))
    before = gone.read_bytes(), kept.stat().st_mtime_ns
    gone.unlink()
    assert workspace.account() == {"capture_page": 1}
    workspace.run()
    assert (gone.read_bytes(), kept.stat().st_mtime_ns) == before


def test_the_table_of_rules_reads_what_the_workflow_reads(measured):
    """Snakemake's graph of rules has the edges that the table declares, and no others."""
    graph = measured.run("--rulegraph")
    names = dict(re.findall(r'(\d+)\[label = "(\w+)"', graph))
    edges = {(names[a], names[b]) for a, b in re.findall(r"(\d+) -> (\d+)", graph)}
    run_by = {name: rule.run_by or name for name, rule in RULES.items()}
    declared = {(run_by[read], run_by[name]) for name, rule in RULES.items() for read in rule.reads}
    declared -= {("capture", "capture")}
    assert declared == {edge for edge in edges if edge[1] not in ("all", "complete")}


def test_a_setting_of_one_stage_runs_that_stage(measured):
    with edited(measured.config, "captures_dir:", "speed: {}\ncaptures_dir:"):
        check(measured, {})
    with edited(measured.config, "captures_dir:", "drift: {break_in_hours: 20}\ncaptures_dir:"):
        expected = {key: value for key, value in ARCHIVE_WIDE.items() if key != "collect"}
        account = measured.account()
        assert account["drift"] == 1
        assert set(account) <= set(expected)


def test_a_template_is_code_of_the_pages(measured):
    style = measured.project / "scripts/grooveledger/report/templates/style.css"
    with edited(style, "\n", "\n/* */\n"):
        expected = {**PAGES, "stylus_page": 1, "loading_page": 1, "index_pages": 1}
        expected["methods_pages"] = 1
        assert measured.account() == expected


def test_a_moved_archive_is_known_by_its_content(measured, tmp_path):
    moved = tmp_path / "elsewhere"
    shutil.copytree(measured.folder / "captures", moved)  # copy: the times are new
    for path in moved.iterdir():
        os.utime(path)
    with edited(measured.config, str(measured.folder / "captures"), str(moved)):
        check(measured, {})


def test_a_recording_made_anew_runs_its_own_jobs(measured):
    first, third = (measured.folder / "captures" / f"{name}.flac" for name in ("c01", "c03"))
    before = first.read_bytes()
    try:
        shutil.copy(third, first)
        own = {
            **dict.fromkeys(OF_CAPTURE, 1),
            # Its own, and that of the capture that is compared with it.
            "capture_page": 2,
        }
        check(measured, {**own, **ARCHIVE_WIDE})
    finally:
        first.write_bytes(before)


def test_a_row_more_or_less_runs_its_own_jobs(measured):
    sheet = measured.folder / "captures.tsv"
    last = sheet.read_text().splitlines()[-1]
    assert last.startswith("c03\tc03.flac\t2024-03-01")
    shutil.copy(measured.folder / "captures" / "c02.flac", measured.folder / "captures/c04.flac")
    new = last.replace("c03", "c04").replace("2024-03", "2024-04").replace("\t180\t", "\t240\t")
    new = new.replace("\ta\t", "\tb\t")
    with edited(sheet, last, f"{last}\n{new}"):
        own = dict.fromkeys(OF_CAPTURE, 1)
        # Its own page, those of the captures before it, of its stylus and of its side.
        check(measured, {**own, "capture_page": 3, **ARCHIVE_WIDE})
    with edited(sheet, f"{last}\n", ""):
        check(measured, {"capture_page": 2, **ARCHIVE_WIDE})


def test_a_room_temperature_reaches_the_archives_tables_alone(measured):
    sheet = measured.folder / "captures.tsv"
    with edited(sheet, "\t60\t21", "\t60\t24"):
        check(measured, {"capture_page": 1, **ARCHIVE_WIDE})


def test_results_tell_what_is_stale_without_snakemakes_memory(measured, tmp_path):
    workspace = measured.copied(tmp_path / "archive")
    shutil.rmtree(workspace.folder / ".snakemake")
    check(workspace, {})
    with edited(
        package(workspace, "observe/order_tracking"), "\nimport numpy", "\nX = 1\nimport numpy"
    ):
        check(workspace, {"observe_orders": 3, **MEASURE_AND_LATER})


def test_a_table_from_elsewhere_is_made_again(measured, tmp_path):
    workspace = measured.copied(tmp_path / "archive")
    folder = workspace.results / "captures"
    shutil.copy(folder / "c01/separation.parquet", folder / "c03/separation.parquet")
    told = workspace.account()
    # Nothing distinguishes what was made from it from what should have been.
    assert told == {"measure": 1}
    assert workspace.planned("tables")["capture"] == 1
    (folder / "c03/separation.parquet").unlink()
    assert workspace.planned("tables")["capture"] == 1


def test_a_run_after_a_fix_makes_just_that_again(measured, tmp_path):
    workspace = measured.copied(tmp_path / "archive")
    heard = workspace.results / "captures/c01/observations/orders.parquet"
    figures = workspace.results / "captures/c01/separation.parquet"
    before = heard.stat().st_mtime_ns, tables.provenance(figures)["code"]
    with edited(
        package(workspace, "measure/quantities/separation"),
        "\nimport numpy",
        "\nX = 1\nimport numpy",
    ):
        workspace.run("tables")
        assert tables.provenance(figures)["code"] != before[1]
        assert heard.stat().st_mtime_ns == before[0]
        assert workspace.planned("tables") == {}
    # Back again: the results of the fix are as stale as those before it were.
    assert workspace.account()["measure"] == 3


@pytest.mark.parametrize("cores", ["1"])
def test_runs_give_equal_bytes_on_one_core_and_two(measured, tmp_path, cores):
    config = yaml.safe_load(measured.config.read_text())
    again = Workspace(measured.project, tmp_path)
    again.config.write_text(yaml.safe_dump({**config, "results": str(tmp_path / "results")}))
    again.run("tables", "--cores", cores)
    made = sorted(again.results.rglob("*.parquet"))
    assert len(made) > 50
    for path in made:
        other = measured.results / path.relative_to(again.results)
        assert path.read_bytes() == other.read_bytes(), path.name


def test_every_result_tells_its_origin(measured):
    paths = [*measured.results.rglob("*.parquet"), *measured.results.glob("report/*/*/")]
    assert len(paths) > 50
    for path in paths:
        assert set(provenance.origin(path)) >= {"code", "job", "parts"}, path
