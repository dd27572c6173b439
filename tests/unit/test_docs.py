"""The documentation: links lead somewhere, code blocks run, and everything is described."""

import functools
import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import yaml
from markdown_it import MarkdownIt

import make_configuration
import write_licences
import write_reference
from grooveledger.configuration import describe_settings, load
from grooveledger.configuration.check import report, side_uses
from grooveledger.export.all_tables import TABLES
from grooveledger.measure import quantities
from grooveledger.plan import Side
from grooveledger.report import methods
from grooveledger.vocabulary import metric_words

PROJECT = Path(__file__).parents[2]
DOCS = PROJECT / "workflow" / "docs"
PAGES = sorted([*PROJECT.glob("*.md"), *DOCS.rglob("*.md")])
#: Pages whose Python blocks another test runs: test_add_measure.py, and the library's own below.
ELSEWHERE = ("DEVELOPERS.md", "library.md")

every_page = pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)


def tokens(page):
    return MarkdownIt("commonmark").enable("table").parse(page.read_text(encoding="utf-8"))


def blocks(page):
    """Language, name and text of every fenced code block."""
    for token in tokens(page):
        if token.type == "fence":
            language, _, name = token.info.strip().partition(" ")
            yield language, name, token.content


def links(page):
    for token in tokens(page):
        for child in token.children or ():
            for attribute in ("href", "src"):
                if child.attrGet(attribute):
                    yield child.attrGet(attribute)


@every_page
def test_every_link_leads_to_a_file(page):
    for target in links(page):
        path, _, _ = target.partition("#")
        assert not target.startswith(("http:", "https:")), f"{target}: pages need no network"
        assert (page.parent / path).exists(), target


@every_page
def test_no_line_shows_where_it_was_written(page):
    text = page.read_text(encoding="utf-8")
    assert not re.search(r"(?<![\w.])/(?:root|home|tmp|work)\b", text)


@every_page
def test_python_blocks_run(page, tmp_path, monkeypatch):
    """All of a page's blocks in turn, as in one notebook."""
    if page.name in ELSEWHERE:
        return
    monkeypatch.chdir(tmp_path)
    space = {"__name__": "page"}
    for language, _, text in blocks(page):
        if language == "python":
            exec(compile(text, page.name, "exec"), space)


def test_the_library_page_measures_what_was_played(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    space = {}
    for language, _, text in blocks(DOCS / "guides" / "library.md"):
        if language == "python":
            exec(text, space)
    assert all(match == "found" for match in space["tracks"]["match"].to_pylist())
    truth = space["truth"]
    for channel, millivolts in zip(
        space["level"]["channel"], space["level"]["output_mv"], strict=True
    ):
        side = ("left", "right").index(channel)
        rms_cm_s = 3.54 / 2**0.5
        expected = truth.stylus.sensitivity_mv_per_cm_s[side] * rms_cm_s
        assert millivolts == pytest.approx(expected, rel=0.02)
    assert "mV" in capsys.readouterr().out


def commands():
    """Every command of the pages' sh blocks, with its page."""
    for page in PAGES:
        for language, _, text in blocks(page):
            if language == "sh":
                for line in text.splitlines():
                    words_of = shlex.split(line, comments=True)
                    if words_of:
                        yield pytest.param(words_of, id=f"{page.name}: {' '.join(words_of)[:60]}")


@pytest.mark.parametrize("command", list(commands()))
def test_commands_are_there_and_take_what_they_are_given(command):
    """Each named script exists, compiles, and its --help knows each option."""
    scripts = [word for word in command if re.fullmatch(r"(\./)?scripts/\w+\.(py|sh)", word)]
    for script in scripts:
        path = PROJECT / script
        assert path.is_file(), script
        if path.suffix == ".sh":
            assert os.access(path, os.X_OK), script
            assert subprocess.run(["sh", "-n", path], check=False).returncode == 0
        else:
            compile(path.read_text(encoding="utf-8"), script, "exec")
    options = [word.partition("=")[0] for word in command if word.startswith("--")]
    if scripts and scripts[0].endswith(".py") and options:
        known = helped(PROJECT / scripts[0])
        assert set(options) <= known
    if command[1:3] == ["-m", "snakemake"]:
        assert set(options) <= helped("-m", "snakemake")
    for word in command:
        if word.startswith("tests/"):
            assert (PROJECT / word).exists(), word


@functools.cache
def helped(*program):
    done = subprocess.run(
        [sys.executable, *program, "--help"], capture_output=True, text=True, check=True
    )
    return set(re.findall(r"--[\w-]+", done.stdout))


def test_a_new_archive_begins_as_the_readme_says(tmp_path):
    """Its four commands but the last, with the demo's chains, cartridges, styli and records."""
    text = next(
        t for lang, _, t in blocks(PROJECT / "README.md") if lang == "sh" and "start.sh" in t
    )
    start, register, check, run = (shlex.split(line) for line in text.splitlines())
    assert (start[0], run[0]) == ("./scripts/start.sh", "./scripts/run.sh")
    assert '/scripts/start.py" "$@"' in (PROJECT / start[0]).read_text(encoding="utf-8")
    start = ["python", "scripts/start.py", *start[1:]]  # the environment is made already

    def executed(command):
        parts = [
            str(PROJECT / part) if part.startswith("scripts/") else part for part in command[1:]
        ]
        return subprocess.run(
            [sys.executable, *parts], cwd=tmp_path, capture_output=True, text=True, check=False
        )

    assert executed(start).returncode == 0
    archive = tmp_path / "my-archive"
    ended = executed(check)
    assert ended.returncode == 1, "the templates are to be filled in"
    assert "cartridges.yaml" in ended.stderr
    for name in ("chains.yaml", "cartridges.yaml", "styli.tsv", "preamplifiers"):
        (shutil.copytree if (PROJECT / "config" / name).is_dir() else shutil.copy)(
            PROJECT / "config" / name, archive / name
        )
    chains = (archive / "chains.yaml").read_text().replace("config/", f"{archive}/")
    (archive / "chains.yaml").write_text(chains)
    (archive / "records" / "my-record.yaml").write_text(
        "record: my-record\nrpm: 33.3333\nsides: {a: {tracks: [{track: 1, kind: tone, "
        "modulation: left, frequency_hz: 1000, velocity_cm_s: 5, duration_s: 20}]}}\n"
    )
    (archive / "captures").mkdir()
    for command in (register, check):
        ended = executed(command)
        assert ended.returncode == 0, ended.stderr
    assert "The configuration is sound" in ended.stdout


def test_the_worked_record_is_read_and_gives_what_its_page_says(tmp_path):
    guide = DOCS / "guides" / "describing_a_record.md"
    named = {name: text for _, name, text in blocks(guide) if name}
    make_configuration.write(tmp_path)
    records = tmp_path / "config" / "records"
    (records / "workbench.yaml").write_text(named["record"], encoding="utf-8")
    (records / "workbench-calibration.tsv").write_text(named["calibration"], encoding="utf-8")
    archive = load(make_configuration.config(), tmp_path)
    gives = {
        side: {use.measure for use in side_uses(view) if use.tracks}
        for side in ("one", "two")
        for view in [Side.from_mapping(archive.sides["workbench", side])]
    }
    assert gives["one"] >= {
        "level",
        "response",
        "separation",
        "distortion",
        "spectrum",
        "speed",
        "noise",
    }
    assert not gives["one"] & {"intermodulation", "tracking_ability", "resonance"}
    assert gives["two"] >= {"intermodulation", "tracking_ability", "resonance"}
    # The calibration is the law that the page gives.
    space = {}
    for language, _, text in blocks(guide):
        if language == "python":
            exec(text, space)
    for _, frequency_hz, recorded_db in archive.sides["workbench", "one"]["calibration"]:
        assert recorded_db == pytest.approx(space["missing_treble_db"](frequency_hz), abs=0.006)


#: What the check says of the guide's kinds of record, by side: of each, and of nothing else.
KINDS = {
    "spots": {
        "a": (
            "response: track 1 (left, 1000 Hz), track 2 (left, 100 Hz), track 3 (left, 5000 Hz), "
            "track 4 (left, 10000 Hz), track 5 (right, 1000 Hz)",
            "separation: track 1 (left, 1000 Hz)",
        )
    },
    "continued": {
        "a": (
            "response: track 1 (left, 20 to 1000 Hz), track 2 (left, 1000 to 20000 Hz), track 3",
            "separation: track 1",
            "distortion: track 1",
        )
    },
    "pilot": {"a": ("response: track 1 (left, 20 to 20000 Hz), track 2 (right, 20 to 20000 Hz)",)},
    "noise": {
        "a": ("response: track 1 (lateral, 60 s)", "third_octaves: track 1", "noise: track 2")
    },
    "together": {"a": ("level: track 1", "response: track 3 (left, 500 to 20000 Hz), track 4")},
    "tracking": {
        "a": ("tracking_ability: track 1 (lateral, 315 Hz)",),
        "b": ("tracking_ability: track 1 (left, 300 Hz), track 2 (left, 300 Hz), track 3",),
    },
    "spoken": {"a": ("level: track 2 (lateral, 1000 Hz)",)},
    "speeds": {"a": ("speed: track 1",), "b": ("speed: track 1",)},
    "copies": {"one": ("response: track 3",)},
}


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_of_record_of_the_guide_is_read_and_gives_what_it_says(kind, tmp_path):
    named = {
        name: text for _, name, text in blocks(DOCS / "guides" / "describing_a_record.md") if name
    }
    make_configuration.write(tmp_path)
    records = tmp_path / "config" / "records"
    (records / f"{kind}.yaml").write_text(named[kind], encoding="utf-8")
    calibration = named["calibration"]
    (records / "workbench-calibration.tsv").write_text(calibration, encoding="utf-8")
    archive = load(make_configuration.config(), tmp_path)
    assert {side for record, side in archive.sides if record == kind} == set(KINDS[kind])
    lines = report(archive, tmp_path)
    for side, wanted in KINDS[kind].items():
        first = next(
            i for i, line in enumerate(lines) if line.startswith(f"Record {kind}, side {side}:")
        )
        after = [i for i, line in enumerate(lines) if line.startswith("Record ") and i > first]
        said = [line.strip() for line in lines[first + 1 : min(after, default=len(lines))]]
        for start in wanted:
            assert any(line.startswith(start) for line in said), (start, said)
        assert not any("serves no measure" in line for line in said)


def test_copies_of_the_guide_differ_in_what_is_theirs(tmp_path):
    named = {
        name: text for _, name, text in blocks(DOCS / "guides" / "describing_a_record.md") if name
    }
    sheet = [
        ["capture", "file", "captured_at", "stylus", "record", "side", "chain", "copy"],
        *(
            [copy, f"{copy}.wav", "2024-03-10", "s1", "copies", "one", "bench", copy]
            for copy in ("worn", "fresh")
        ),
    ]
    make_configuration.write(
        tmp_path,
        {
            "config/records/copies.yaml": named["copies"],
            "config/records/workbench-calibration.tsv": named["calibration"],
            "config/captures.tsv": make_configuration.sheet(sheet),
        },
    )
    archive = load(make_configuration.config(), tmp_path)
    worn, fresh = (Side.from_mapping(archive.side_of(row)) for row in archive.captures)
    assert (worn.response_tolerance_db, fresh.response_tolerance_db) == (1.5, 0.5)
    assert not worn.calibration
    assert len(fresh.calibration) == 16
    assert worn.tracks == fresh.tracks


def test_settings_of_the_recording_page_are_taken(tmp_path):
    named = {name: text for _, name, text in blocks(DOCS / "guides" / "recording.md") if name}
    config = {**make_configuration.config(), **yaml.safe_load(named["config"])}
    make_configuration.write(tmp_path)
    (tmp_path / "config" / "response.tsv").write_text(named["preamplifier_response"])
    archive = load(config, tmp_path)
    assert archive.settings["register"]["cells"]["chain"] == "bench"
    assert archive.chains["bench"]["preamplifier"]["response"][0] == [20.0, -0.4]


def test_blocks_have_a_language_that_is_checked():
    """A block without a language is a formula or a tree of folders."""
    found = {language for page in PAGES for language, _, _ in blocks(page)}
    assert found <= {"", "python", "sh", "yaml", "tsv", "markdown"}
    named = {
        (page.name, name)
        for page in PAGES
        for language, name, _ in blocks(page)
        if language in ("yaml", "tsv")
    }
    assert named == {
        ("describing_a_record.md", "record"),
        *(("describing_a_record.md", kind) for kind in KINDS),
        ("describing_a_record.md", "calibration"),
        ("recording.md", "config"),
        ("recording.md", "preamplifier_response"),
    }


def test_generated_pages_are_up_to_date():
    """Where this fails, run write_reference.py or write_licences.py of scripts/studies."""
    for path, text in write_reference.pages().items():
        assert path.read_text(encoding="utf-8") == text, f"{path.name} is out of date"


def test_every_dependency_has_its_licence():
    page = write_licences.PAGE.read_text(encoding="utf-8")
    listed = re.findall(r"^\| ([a-z0-9][a-z0-9._-]*) \| \S", page, re.MULTILINE)
    assert [name for name in listed if name != "package"] == write_licences.packages()


def test_every_column_setting_and_metric_is_told_of():
    reference = (DOCS / "guides" / "files.md").read_text(encoding="utf-8")
    for table in TABLES.values():
        assert f"#### {table.name}\n" in reference
        for column in table.columns:
            assert f"| `{column.name}` |" in reference, (table.name, column.name)
    for key, default, _ in describe_settings():
        assert default == {} or f"| `{key}` |" in reference, key
    for metric in quantities.METRICS:
        page = (DOCS / "methods" / f"{metric_words.method_page(metric)}.md").read_text(
            encoding="utf-8"
        )
        assert f"`{metric}`" in page.partition(write_reference.COLUMNS_HEADING)[0], metric


def test_every_measure_has_a_page_with_all_parts():
    described = {table for tables in write_reference.PAGE_TABLES.values() for table in tables}
    assert set(quantities.MEASURES) <= described
    assert described == set(TABLES) - {"captures", "metrics"}
    index = (DOCS / "methods" / "index.md").read_text(encoding="utf-8")
    for name in write_reference.PAGE_TABLES:
        page = (DOCS / "methods" / f"{name}.md").read_text(encoding="utf-8")
        assert f"({name}.md)" in index
        assert "**Standard.**" in page, name
        for heading in ("## How the program does it", "## Where it stops being valid"):
            assert heading in page, (name, heading)


def test_modules_that_pages_name_are_there():
    """`folder/module` in the methods, and the packages in DEVELOPERS.md."""
    package = PROJECT / "scripts" / "grooveledger"
    named = set()
    for page in [*(DOCS / "methods").glob("*.md"), PROJECT / "DEVELOPERS.md"]:
        text = page.read_text(encoding="utf-8")
        named |= set(re.findall(r"`((?:observe|measure/quantities|interpret/drift)/\w+)`", text))
    assert len(named) > 20
    for name in named - {"measure/quantities/lateral_balance"}:
        assert (package / f"{name}.py").is_file(), name
    developers = (PROJECT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rooms = developers.partition("The library, one package")[2].partition("## ")[0]
    housed = set()
    for name in re.findall(r"`([\w/]+\*?)`", rooms):
        found = set(package.glob(f"{name}.py" if not name.endswith("/") else name))
        assert found, f"no package {name}"
        housed |= found
    there = {path for path in package.iterdir() if path.suffix == ".py" or path.is_dir()}
    homeless = {path.name for path in there - housed} - {"__init__.py", "__pycache__"}
    assert not homeless, "not in DEVELOPERS.md"


def test_pages_are_rendered_into_one_folder(tmp_path):
    methods.write(DOCS, tmp_path)
    names = {path.name for path in tmp_path.iterdir()}
    assert {"index.html", "segmentation.html", "recording.html", "files.html"} <= names
    for path in tmp_path.iterdir():
        for target in re.findall(r'href="([^"#][^"]*)"', path.read_text(encoding="utf-8")):
            if not target.startswith(("../", "data:")):
                assert target.partition("#")[0] in names, (path.name, target)
    assert "<table>" in (tmp_path / "files.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("text", ["no heading", "# Page\n\n[lost](nowhere.md)\n"])
def test_a_page_without_a_heading_or_with_a_dead_link_is_refused(tmp_path, text):
    (tmp_path / "docs").mkdir()
    (tmp_path / "docs" / "page.md").write_text(text)
    with pytest.raises(ValueError, match=r"page\.md"):
        methods.write(tmp_path / "docs", tmp_path / "out")


def test_html_in_a_page_is_text(tmp_path):
    (tmp_path / "page.md").write_text("# Page\n\n<script>alert(1)</script>\n")
    methods.write(tmp_path, tmp_path)
    assert "<script>alert" not in (tmp_path / "page.html").read_text(encoding="utf-8")
