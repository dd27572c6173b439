"""Pages: complete, linked, escaped, the same each time, light enough for a thousand captures."""

import re
import shutil
import time
from html.parser import HTMLParser
from pathlib import Path

import pyarrow as pa
import pytest

import make_archive
import make_report
import make_tables
from grooveledger.export.all_tables import TABLES
from grooveledger.measure.quantities import MEASURES, METRICS
from grooveledger.report import (
    capture_page,
    capture_tables,
    index,
    loading_page,
    stylus_page,
    summary_pictures,
)
from grooveledger.report.capture_figures import change_of, suffering
from grooveledger.report.grids import rows_of
from grooveledger.report.page import HERE
from grooveledger.schemas.capture_metrics import REMARKS
from grooveledger.schemas.interpret import ARM_MATCH, STYLUS_STATES
from grooveledger.storage import tables
from grooveledger.vocabulary import metric_words, words

VOID = {"meta", "link", "br", "input", "img", "hr"}


class Reader(HTMLParser):
    """Collects links, anchors, ids, headings and scripts, and checks that tags are closed."""

    def __init__(self) -> None:
        super().__init__()
        self.links: list[str] = []
        self.ids: list[str] = []
        self.open: list[str] = []
        self.unlabelled = 0
        self.scripts = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = dict(attrs)
        self.links += [values[name] or "" for name in ("href", "src") if name in values]
        if "id" in values:
            self.ids.append(values["id"] or "")
        self.scripts += tag == "script"
        if tag in ("svg", "img") and not (values.get("aria-label") or values.get("alt")):
            self.unlabelled += 1
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def read(path: Path) -> Reader:
    reader = Reader()
    reader.feed(path.read_text(encoding="utf-8"))
    return reader


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_report.shared(tmp_path_factory)


def test_every_link_resolves_and_every_tag_closes(report: Path) -> None:
    pages = {path.resolve(): read(path) for path in report.rglob("*.html")}
    assert len(pages) > 25
    for path, reader in pages.items():
        assert not reader.open, path.name
        assert len(reader.ids) == len(set(reader.ids)), path.name
        for link in reader.links:
            if link == "data:,":
                continue
            assert ":" not in link, f"{path.name} leads off the archive: {link}"
            target, _, anchor = link.partition("#")
            file = (path.parent / target).resolve() if target else path.resolve()
            assert file.is_file(), f"{path.name}: {link}"
            if anchor and file.suffix == ".html":
                assert anchor in pages[file].ids, f"{path.name}: {link}"


class Unlinked(HTMLParser):
    """Collects what a page says outside of links, of its own title and of pictures."""

    APART = ("a", "title", "h1", "script", "style", "svg")

    def __init__(self) -> None:
        super().__init__()
        self.said: list[str] = []
        self._apart = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._apart += tag in self.APART

    def handle_endtag(self, tag: str) -> None:
        self._apart -= tag in self.APART

    def handle_data(self, data: str) -> None:
        if not self._apart:
            self.said.append(data)


def captures_without_a_link(page: Path, known: set[str]) -> set[str]:
    """Captures other than the page's own that it names outside of a link."""
    reader = Unlinked()
    reader.feed(page.read_text(encoding="utf-8"))
    names = re.findall(r"[A-Za-z0-9][\w.-]*", " ".join(reader.said))
    return {name.rstrip("._-") for name in names} & known - {page.stem}


def test_every_capture_that_a_page_names_is_a_link(report: Path) -> None:
    known = {row["capture"] for row in make_tables.sheet_rows(make_report.CAPTURES)}
    pages = list(report.rglob("*.html"))
    assert {page.name: captures_without_a_link(page, known) for page in pages} == {
        page.name: set() for page in pages
    }


def test_captures_in_sentences_are_links(tmp_path: Path, report: Path) -> None:
    """Those that are odd, that advice names, and that another capture's reason names."""
    folder = tmp_path / "tables"
    shutil.copytree(report.parent / "tables", folder)
    sentences = {
        "stylus_states": ("odd_captures", "Capture c0003 is odd: balance lies 3 dB above c0000."),
        "advice": ("advice", "Repeat capture c0003 and c0006."),
        "captures": ("reason", "as c0001, but louder; see c0002"),
    }
    for name, (column, sentence) in sentences.items():
        rows = [{**row, column: sentence} for row in rows_of(folder / f"{name}.parquet")]
        assert rows
        made = pa.Table.from_pylist(rows, TABLES[name].schema)
        tables.write(TABLES[name], made, folder / f"{name}.parquet", {})
    index.write(folder, tmp_path / "index.html", make_archive.styli())
    stylus = make_archive.styli()["worn"]
    stylus_page.write(stylus, folder, report.parent / "captures", tmp_path / "styli" / "worn.html")
    known = {row["capture"] for row in make_tables.sheet_rows(make_report.CAPTURES)}
    for page in (tmp_path / "index.html", tmp_path / "styli" / "worn.html"):
        text = page.read_text(encoding="utf-8")
        assert captures_without_a_link(page, known) == set()
        assert all(f'captures/{name}.html">{name}</a>' in text for name in ("c0000", "c0001"))


#: A number with its sign, as pages write it.
WRITTEN = r"[+\N{MINUS SIGN}-]?\d+(?:\.\d+)?"


def test_no_interval_of_equal_ends_and_no_negative_zero(report: Path) -> None:
    for page in report.rglob("*.html"):
        if "methods" in page.parts:
            continue
        reader = Unlinked()
        reader.APART = ("script", "style")
        reader.feed(page.read_text(encoding="utf-8"))
        text = " ".join(reader.said)
        assert not re.findall(rf"({WRITTEN}) to \1(?![\d.])", text), page.name
        assert not re.findall(r"(?<![\w.])[\N{MINUS SIGN}-]0(?:\.0+)?(?![\d.])", text), page.name


def test_every_figure_has_an_alternative_text(report: Path) -> None:
    assert not any(read(path).unlabelled for path in report.rglob("*.html"))


def test_text_of_the_configuration_stays_text(report: Path) -> None:
    page = report / "captures" / "c0001.html"
    text = page.read_text(encoding="utf-8")
    assert "<script>alert" not in text
    assert "&lt;script&gt;alert(1)" in text
    assert read(page).scripts == 2, "the page's own, and the file of what was expected"


def test_a_loading_page_says_which_arm_suits_and_what_to_change(report: Path) -> None:
    """Measured: 15 um/mN and 20 g resonate at 9.2 Hz, closed form."""
    page = (report / "loading" / "mm-one.html").read_text(encoding="utf-8")
    assert "On chain bench the resonance lies at 9.2\N{NO-BREAK SPACE}Hz" in page
    assert 'id="arm-match"' in page
    assert "half the static" in page
    assert (report / "loading" / "mm-one" / "arm-match.svg").exists()


def test_a_loading_page_says_what_an_arms_resonance_needs(report: Path, tmp_path: Path) -> None:
    shutil.copytree(report.parent / "tables", tmp_path / "tables")
    tables.write(
        ARM_MATCH, ARM_MATCH.schema.empty_table(), tmp_path / "tables/arm_match.parquet", {}
    )
    chains, styli = {"bench": make_tables.CHAIN}, make_archive.styli()
    page = tmp_path / "mc-two.html"
    loading_page.write("mc-two", chains, styli, make_archive.LOADING, tmp_path / "tables", page)
    assert "it needs mass_g of the cartridge, and a compliance" in page.read_text(encoding="utf-8")


def test_a_rejected_capture_has_a_page_that_says_why(report: Path) -> None:
    text = (report / "captures" / "c0006.html").read_text(encoding="utf-8")
    assert "Copy it again from the recorder." in text
    assert "rejected" in text
    index_text = (report / "index.html").read_text(encoding="utf-8")
    assert "Copy it again from the recorder." in index_text


def test_a_rejected_capture_says_nothing_else(report: Path) -> None:
    text = (report / "captures" / "c0006.html").read_text(encoding="utf-8")
    assert "Figures" not in text
    assert "Recording and chain" not in text
    assert re.findall(r"<dt>([^<]+)</dt>", text) == ["File", "Date in the sheet",
        "Clipped samples, left and right", "SHA-256 of the file"]  # fmt: skip


def test_captures_lead_to_those_before_and_after(report: Path) -> None:
    """Of three styli in turn on one record side."""
    text = (report / "captures" / "c0003.html").read_text(encoding="utf-8")
    assert 'Stylus worn: <a href="c0000.html" rel="prev">' in text
    assert '<a href="c0006.html" rel="next">' in text
    assert 'side a: <a href="c0002.html" rel="prev">' in text
    assert '<a href="c0004.html" rel="next">' in text


def test_a_page_says_what_changed_since_the_capture_before(report: Path) -> None:
    text = (report / "captures" / "c0003.html").read_text(encoding="utf-8")
    assert 'their change since <a href="c0000.html">c0000</a>' in text
    values = [
        rows_of(report.parent / "captures" / name / "metrics.parquet")
        for name in ("c0000", "c0003")
    ]
    old, new = (
        next(r["value"] for r in rows if (r["metric"], r["channel"]) == ("output_mv", "left"))
        for rows in values
    )
    (line,) = re.findall(r"<tr><th[^>]*><a[^>]*>Output at the rated velocity.*?</tr>", text)
    cells = re.findall(r"<td[^>]*>([^<]*)</td>", line)
    assert cells[1] == words.figure(new - old, "mV", signed=True)


def test_flagged_captures_name_the_figures_that_suffer() -> None:
    tracks = [
        {"track": 1, "kind": "tone", "remark": "", "clipped": False, "match": "found"},
        {"track": 2, "kind": "tone", "remark": "is cut off", "clipped": False, "match": "found"},
        {"track": 3, "kind": "sweep", "remark": "", "clipped": True, "match": "found"},
        {"track": 4, "kind": "two_tone", "remark": "", "clipped": False, "match": "missing"},
    ]
    metrics = [
        {"metric": "output_mv", "track": 1, "value": 4.0},
        {"metric": "speed_error_pct", "track": 2, "value": 0.1},
        {"metric": "response_10khz_db", "track": 3, "value": 0.1},
        {"metric": "response_100hz_db", "track": 3, "value": 0.1},
        {"metric": "response_20khz_db", "track": 3, "value": None},
    ]
    assert suffering(tracks, [], metrics) == [
        ("Track 2 (tone)", "speed error"),
        ("Track 3 (sweep)", "response at 100 Hz; response at 10 kHz"),
        ("Track 4 (two tone)", "gives no figure here"),
    ]
    assert suffering(tracks[:1], [{"track": None}], metrics) == [
        ("The whole capture", "every figure")
    ]


def test_a_measure_that_the_page_does_not_know_is_shown_all_the_same() -> None:
    """Every measure has a picture or a table on the page of a capture."""
    known = {name for name, _, _ in capture_tables.SMALL_TABLES} | capture_tables.DRAWN
    field = capture_tables._field(MEASURES["level"].table.columns[4])
    assert field.write({MEASURES["level"].table.columns[4].name: None}) == words.NONE
    assert known <= set(MEASURES)


def test_a_table_too_long_for_a_page_is_named_with_its_place(report: Path, tmp_path: Path) -> None:
    row = make_tables.sheet_rows(make_report.CAPTURES)[0]
    own = tmp_path / "captures" / row["capture"]
    shutil.copytree(report.parent / "captures" / row["capture"], own)
    rows = make_tables.table(
        "scanning", capture=row["capture"], track=list(range(25)), channel="left"
    )
    tables.write(TABLES["scanning"], rows, own / "scanning.parquet", {})
    for alone, place in ((False, f"captures/{row['capture']}"), (True, "tables")):
        page = tmp_path / "report" / "captures" / "page.html"
        capture_page.write(make_report.facts(row), own, page, alone)
        said = page.read_text(encoding="utf-8")
        assert re.search(rf": 25 rows, in <a [^>]*>{place}/scanning.parquet</a>", said)
        assert ("export/csv/scanning.csv" in said) is not alone
        (link,) = re.findall(r'href="([^"]*scanning.parquet)"', said)
        here = tmp_path / "report" / "tables" if alone else own
        assert (page.parent / link).resolve() == here / "scanning.parquet"
    tables.write(TABLES["scanning"], rows[:24], own / "scanning.parquet", {})
    assert "scanning" not in [name for name, *_ in capture_tables.long_tables(own)]
    assert "scanning" in [name for name, *_ in capture_tables.small_tables(own)]


def test_a_captures_page_needs_that_captures_tables_alone(report: Path, tmp_path: Path) -> None:
    row = make_tables.sheet_rows(make_report.CAPTURES)[0]
    shutil.copytree(report.parent / "captures" / row["capture"], tmp_path / "own")
    page = tmp_path / f"{row['capture']}.html"
    capture_page.write(make_report.facts(row), tmp_path / "own", page)
    assert page.read_bytes() == (report / "captures" / page.name).read_bytes()
    pictures = sorted(path.name for path in (tmp_path / row["capture"]).iterdir())
    assert {name.split(".")[1] for name in pictures} == {"svg"}
    for name in pictures:
        made = report / "captures" / row["capture"] / name
        assert (tmp_path / row["capture"] / name).read_bytes() == made.read_bytes()


def test_pictures_of_an_earlier_run_do_not_linger(report: Path, tmp_path: Path) -> None:
    row = make_tables.sheet_rows(make_report.CAPTURES)[6]
    (tmp_path / row["capture"]).mkdir()
    (tmp_path / row["capture"] / "response.svg").write_text("old", encoding="utf-8")
    capture_page.write(
        make_report.facts(row),
        report.parent / "captures" / row["capture"],
        tmp_path / f"{row['capture']}.html",
    )
    assert list((tmp_path / row["capture"]).iterdir()) == []


def test_a_remark_of_the_measures_flags_a_capture(report: Path, tmp_path: Path) -> None:
    row = make_tables.sheet_rows(make_report.CAPTURES)[0]
    shutil.copytree(report.parent / "captures" / row["capture"], tmp_path / "own")
    remark = {"capture": row["capture"], "track": 1, "remark": "3 dB louder than described"}
    tables.write(REMARKS, tables.build(REMARKS, remark), tmp_path / "own/remarks.parquet", {})
    capture_page.write(make_report.facts(row), tmp_path / "own", tmp_path / "page.html")
    text = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert '<p class="notice flagged">3 dB louder than described</p>' in text


def test_the_index_puts_the_wearing_stylus_first_and_says_how_fast(report: Path) -> None:
    text = (report / "index.html").read_text(encoding="utf-8")
    places = [text.index(f"styli/{name}.html") for name in ("worn", "fresh", "settled")]
    assert places[0] == min(places)
    assert "Response at 10 kHz, left: \N{MINUS SIGN}0.7" in text


def test_a_stylus_that_was_never_measured_has_a_page(tmp_path: Path, report: Path) -> None:
    stylus = {**make_archive.styli()["fresh"], "stylus": "unused"}
    folder = tmp_path / "tables"
    shutil.copytree(report.parent / "tables", folder)
    states = tables.read(folder / "stylus_states.parquet").to_pylist()
    blank = {**dict.fromkeys(states[0]), "stylus": "unused", "verdict": "too_few", "sentence": ""}
    rows = pa.Table.from_pylist([*states, blank], STYLUS_STATES.schema)
    tables.write(STYLUS_STATES, rows, folder / "stylus_states.parquet", {})
    stylus_page.write(stylus, folder, report.parent / "captures", tmp_path / "unused.html")
    assert not read(tmp_path / "unused.html").open


def test_of_too_few_captures_none_is_said_not_to_move(report: Path) -> None:
    tables_folder = report.parent / "tables"
    for page in (report / "styli").glob("*.html"):
        drift = rows_of(tables_folder / "drift.parquet", stylus=page.stem)
        known = any(row["verdict"] != "too_few" for row in drift)
        text = page.read_text(encoding="utf-8")
        assert ("Figures against hours" in text) is not known
        assert known or "What does not move" not in text


def test_summary_figures_for_each_stylus(tmp_path: Path, report: Path) -> None:
    stylus = make_archive.styli()["worn"]
    summary_pictures.write(stylus, report.parent / "tables", report.parent / "captures", tmp_path)
    stems = {path.stem for path in tmp_path.iterdir()}
    assert stems == {"worn-trend"} | {
        f"worn-{curve}-{channel}"
        for curve in ("response", "separation", "distortion")
        for channel in ("left", "right")
    }


def test_the_index_of_a_thousand_captures_is_light(tmp_path: Path) -> None:
    make_archive.write_archive(tmp_path, 1000, curves=False)
    start = time.process_time()
    index.write(tmp_path / "tables", tmp_path / "index.html", make_archive.styli())
    assert time.process_time() - start < 2
    assert (tmp_path / "index.html").stat().st_size < 1_000_000
    assert (
        len(re.findall(r'href="captures/c\d+\.html"', (tmp_path / "index.html").read_text())) > 1000
    )


def test_every_metric_has_words_and_a_page_of_methods() -> None:
    for name in METRICS:
        assert (make_report.DOCUMENTATION / f"{metric_words.method_page(name)}.md").is_file(), name
    for measure in MEASURES.values():
        assert (make_report.DOCUMENTATION / f"{measure.methods_page}.md").is_file(), measure.name


@pytest.mark.parametrize(
    ("value", "unit", "written"),
    [
        (None, "dB", words.NONE),
        (float("nan"), "dB", words.NONE),
        (-0.04, "dB", "0.0"),
        (-1.26, "dB", "\N{MINUS SIGN}1.3"),
        (9.04, "Hz", "9.0"),
        (15000.2, "Hz", "15000"),
    ],
)
def test_figures_are_written_with_the_decimals_they_deserve(
    value: float | None, unit: str, written: str
) -> None:
    assert words.figure(value, unit) == written


def test_an_uncertainty_is_never_written_as_zero() -> None:
    assert words.with_uncertainty(27.217, 0.012, "dB") == "27.217 \N{PLUS-MINUS SIGN} 0.012"
    assert words.with_uncertainty(27.217, 0.4, "dB") == "27.22 \N{PLUS-MINUS SIGN} 0.40"
    assert words.with_uncertainty(27.217, None, "dB") == "27.2"
    assert words.with_uncertainty(0.23517, 0.0009, "deg") == "0.23517 \N{PLUS-MINUS SIGN} 0.00090"
    assert [words.uncertainty(value) for value in (33.767, 0.0042, 0.0, None)] == [
        "34", "0.0042", "0", words.NONE,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("noise", "whole", "written"),
    [
        (1e-4, 0.12, "\N{MINUS SIGN}0.590"),
        (0.05, 0.12, "\N{MINUS SIGN}0.590"),
        (0.5, 0.6, "\N{MINUS SIGN}0.59"),
        (0.0, 0.6, "\N{MINUS SIGN}0.6"),
    ],
)
def test_a_change_has_no_digits_that_its_figure_could_not_have(noise, whole, written):
    row = {"unit": "dB", "limited": False, "uncertainty": whole, "u_noise": noise}
    before, now = ({**row, "value": value} for value in (25.0, 24.4099))
    assert change_of(now, before) == written


@pytest.mark.parametrize(
    ("low", "high", "written"),
    [
        (290.2, 471.4, "290 to 471 h"),
        (90.1, 90.3, "90 h"),
        (866.0, None, "866 h or more"),
        (None, 119.0, "up to 119 h"),
        (None, None, words.NONE),
    ],
)
def test_an_interval_has_two_ends_or_says_so(
    low: float | None, high: float | None, written: str
) -> None:
    assert words.interval(low, high, "h").replace("\N{NO-BREAK SPACE}", " ") == written


def test_a_small_slope_is_no_zero():
    row = {"slope_per_100h": -0.031, "slope_low": -0.04, "slope_high": -0.02, "unit": "dB"}
    assert words.slope(row) == tuple(f"\N{MINUS SIGN}{end}" for end in ("0.031", "0.040", "0.020"))
    unsure = {**row, "slope_low": -0.3, "slope_high": 0.2}
    assert words.slope(unsure) == ("\N{MINUS SIGN}0.03", "\N{MINUS SIGN}0.30", "+0.20")
    assert words.slope({**row, "slope_low": None, "slope_high": None})[1:] == (words.NONE,) * 2


def schemes() -> list[dict[str, str]]:
    css = (HERE / "templates" / "style.css").read_text(encoding="utf-8")
    return [
        dict(re.findall(r"--(\w+):(#[0-9a-f]{3,6})", block))
        for block in re.findall(r":root\{([^}]*)\}", css)
    ]


def luminance(colour: str) -> float:
    digits = colour[1:] if len(colour) == 7 else "".join(2 * digit for digit in colour[1:])
    red, green, blue = (_linear(int(digits[i : i + 2], 16) / 255) for i in (0, 2, 4))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def _linear(part: float) -> float:
    """IEC 61966-2-1, as WCAG 2.2 has it."""
    return part / 12.92 if part <= 0.04045 else float(((part + 0.055) / 1.055) ** 2.4)


@pytest.mark.parametrize("scheme", schemes(), ids=["light", "dark", "print"])
@pytest.mark.parametrize("ground", ["paper", "shade"])
def test_text_contrast(scheme: dict[str, str], ground: str) -> None:
    """WCAG 2.2, 1.4.3: 4.5 to 1, of every colour that text is written in."""
    for name in ("ink", "soft", "left", "right", "axis", "other", "alarm", "good"):
        bright, dark = sorted((luminance(scheme[name]), luminance(scheme[ground])), reverse=True)
        assert (bright + 0.05) / (dark + 0.05) >= 4.5, name


@pytest.mark.parametrize("name", MEASURES)
def test_every_column_of_every_measure_can_be_shown(name):
    """A measure that the page does not know of is shown by its columns' types alone."""
    examples = {"string": "left", "bool": True, "int32": 3, "int64": 3, "double": -0.25}
    for column in MEASURES[name].table.columns:
        field = capture_tables._field(column)
        for value in (examples[str(column.type)], None):
            assert isinstance(field.write({column.name: value}), str), column.name
