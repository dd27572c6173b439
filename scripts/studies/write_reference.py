"""Write what the documentation says of keys and columns anew from the schemas.

python scripts/studies/write_reference.py [--check]

Writes workflow/docs/guides/files.md whole, and the last section, "Columns", of each page of methods
that has tables of its own. With --check nothing is written; the exit status is 1 where a page is
out of date.
"""

import argparse
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import library_path  # noqa: F401
from grooveledger.configuration.schema_files import schema
from grooveledger.configuration.start import flow
from grooveledger.configuration.validation import taken, types
from grooveledger.export.all_tables import TABLES
from grooveledger.measure.declaration import Metric
from grooveledger.measure.quantities import MEASURES, METRICS
from grooveledger.schemas.capture_metrics import CAPTURE_METRICS, REMARKS
from grooveledger.schemas.changes import CHANGED_FIGURES, CHANGED_METRICS, CHANGED_VERDICTS
from grooveledger.schemas.table import Table
from grooveledger.vocabulary import metric_words, words

DOCS = Path(__file__).parents[2] / "workflow" / "docs"
#: Tables that a page of methods describes.
#: Observations that a measure's page describes besides its own table.
OBSERVED_ON = {
    "spectrum": ("tone_spectrum",),
    "speed": ("speed_trace",),
    "noise": ("noise_density", "noise_level"),
}
PAGE_TABLES: dict[str, tuple[str, ...]] = {
    "segmentation": ("tracks", "health"),
    "order_tracking": ("orders",),
    **{
        page: (
            *OBSERVED_ON.get(page, ()),
            *(name for name, measure in MEASURES.items() if measure.methods_page == page),
        )
        for page in dict.fromkeys(measure.methods_page for measure in MEASURES.values())
    },
    "uncertainty": ("budgets",),
    "drift": ("drift", "stylus_states", "control", "odd_captures", "advice"),
    "loading": ("loading", "loading_checks", "coils"),
    "arm_match": ("arm_match",),
    "ratings": ("ratings", "comparison"),
}
#: In the index of methods, between these lines stand the measures' pages.
INDEX_FROM, INDEX_TO = "to figures at the cartridge and the groove:\n\n", "\nWhat the figures mean:"
#: Tables that are in no register: parts of a capture, and those of programs a person starts.
OTHER_TABLES = (CAPTURE_METRICS, REMARKS, CHANGED_METRICS, CHANGED_FIGURES, CHANGED_VERDICTS)
COLUMNS_HEADING = "\n## Columns\n"
#: Sheets and YAML files that a person writes, by schema.
ROWS = {
    "captures": "captures.tsv",
    "styli": "styli.tsv",
    "playing_log": "playing_log.tsv",
    "calibration": "calibration of a record (the file that its `calibration` names)",
    "preamplifier_response": "response of a preamplifier (the file that its `response` names)",
}
TYPES = {
    "string": "text",
    "double": "number",
    "int32": "whole number",
    "int64": "whole number",
    "bool": "true or false",
}
STAGES = {
    "segment": "Stage 1, where the tracks lie",
    "observe": "Stage 2, what was heard",
    "measure": "Stage 3, figures of a capture",
    "collect": "Stage 4, the archive as a whole",
    "interpret": "Stage 5, what the figures mean",
    "compare": "What moved between two sets of results",
}
#: What stands for an id under a key that holds blocks by id; elsewhere it is a metric.
PLACEHOLDERS = {"copies": "<copy>"}
PLACES = {
    "segment": "`captures/<capture>/`",
    "observe": "`captures/<capture>/observations/`",
    "measure": "`captures/<capture>/` and, of all captures, `tables/`",
    "collect": "`tables/`",
    "interpret": "`tables/`",
    "compare": "`report/changes/<snapshot>/`",
}


def pages() -> dict[Path, str]:
    """Return every generated page as it should be."""
    found = {DOCS / "guides" / "files.md": reference()}
    for name, tables in PAGE_TABLES.items():
        path = DOCS / "methods" / f"{name}.md"
        text = path.read_text(encoding="utf-8").partition(COLUMNS_HEADING)[0].rstrip("\n")
        parts = [
            f"Table `{table}` ({PLACES[TABLES[table].stage]}). {TABLES[table].meaning}\n\n"
            + columns_of(TABLES[table])
            for table in tables
        ]
        found[path] = f"{text}\n{COLUMNS_HEADING}\n" + "\n".join(parts)
    found[DOCS / "methods" / "index.md"] = methods_index()
    return found


def methods_index() -> str:
    """Return the index of methods, a line for each measure's page under the page's title."""
    text = (DOCS / "methods" / "index.md").read_text(encoding="utf-8")
    before, _, rest = text.partition(INDEX_FROM)
    lines = []
    for page in dict.fromkeys(measure.methods_page for measure in MEASURES.values()):
        heading = (DOCS / "methods" / f"{page}.md").read_text(encoding="utf-8").partition("\n")[0]
        lines.append(f"- [{heading.removeprefix('# ')}]({page}.md)\n")
    return before + INDEX_FROM + "".join(lines) + INDEX_TO + rest.partition(INDEX_TO)[2]


def reference() -> str:
    """Return the page of all files, keys and columns."""
    parts = [
        "# Every file, key and column",
        "Generated from the schemas: it is what the program checks and writes. A key without a "
        "default must be there, one whose default is `null` may be left out.",
        "## What you write",
        "### config.yaml",
        schema("config")["description"]
        + " Paths count from the folder that the run starts in, or are "
        "absolute.",
        key_table(schema("config")),
    ]
    for name, title in ROWS.items():
        parts += [f"### {title}", schema(name)["description"], key_table(schema(name))]
    for name in ("cartridges", "chains"):
        document = schema(name)
        parts += [f"### {name}.yaml", document["description"]]
        parts.append(key_table(document["additionalProperties"], "<id>."))
    parts += _record_parts()
    parts += [
        "## What the program writes",
        "Under the configuration's `results`, as Parquet; the tables in `tables/` are also sheets "
        "of `export/archive.xlsx` and files in `export/csv/`. An empty cell (null): there is no "
        "figure.",
    ]
    for stage, title in STAGES.items():
        parts.append(f"### {title}")
        own = [table for table in TABLES.values() if table.stage == stage]
        own += [table for table in OTHER_TABLES if table.stage == stage]
        for table in own:
            parts += [
                f"#### {table.name}",
                f"{table.meaning} In {PLACES[stage]}, sorted by {', '.join(table.key)}.",
                columns_of(table).rstrip("\n"),
            ]
    parts += [
        "### Metrics",
        "The values of `metric`, and how each is measured. What it repeats within (a standard "
        "deviation, common practice) counts where the archive has no repeats of its own.",
        metric_table(),
    ]
    return "\n\n".join(parts) + "\n"


def _record_parts() -> Iterator[str]:
    document = schema("record")
    top = {key: child for key, child in document["properties"].items() if key != "sides"}
    side = document["properties"]["sides"]["additionalProperties"]["properties"]
    yield "### `records/<record>.yaml`"
    yield document["description"]
    general = {**top, **{f"sides.<side>.{key}": side[key] for key in ("rpm", "gap_s")}}
    yield key_table({"properties": general, "required": document["required"]})
    yield "Then `sides.<side>.tracks`, a list in playing order. What a track has goes by its kind:"
    for kind in side["tracks"]["items"]["oneOf"]:
        name = kind["properties"]["kind"]["const"]
        yield f"#### {name}"
        yield kind["description"]
        yield key_table(kind)


def key_table(node: Mapping[str, Any], prefix: str = "") -> str:
    """Return a table of keys, nested ones with dots."""
    rows = [
        (
            f"`{key}`",
            taken(child).replace("a block of keys", "a block"),
            default,
            child["description"],
        )
        for key, child, default in _keys(node, prefix)
    ]
    return markdown_table(("key", "takes", "default", "meaning"), rows)


def _keys(node: Mapping[str, Any], prefix: str) -> Iterator[tuple[str, Mapping[str, Any], str]]:
    for key, child in node["properties"].items():
        if child.get("properties"):
            yield from _keys(child, f"{prefix}{key}.")
            continue
        if child.get("properties") == {}:
            continue
        inner = child.get("additionalProperties")
        if isinstance(inner, Mapping) and "properties" in inner:
            default = "see below"
        elif "default" in child:
            default = f"`{flow(child['default'])}`"
        else:
            default = "" if key in node.get("required", ()) or "const" in child else "`null`"
        yield prefix + key, child, default
        if default == "see below":
            for name, value in (child.get("default") or {}).items():
                inner_row = {"type": types(inner), "description": f"Default: {flow(value)}."}
                yield f"{prefix}{key}.{name}", inner_row, ""
            yield from _keys(inner, f"{prefix}{key}.{PLACEHOLDERS.get(key, '<metric>')}.")


def columns_of(table: Table) -> str:
    """Return a table of a table's columns."""
    rows = [
        (f"`{column.name}`", TYPES[str(column.type)], words.unit(column.unit), column.meaning)
        for column in table.columns
    ]
    return markdown_table(("column", "type", "unit", "meaning"), rows) + "\n"


def metric_table() -> str:
    """Return a table of the metrics, with links to their pages of methods."""
    rows = [
        (
            f"`{name}`",
            words.unit(metric.unit),
            f"[{metric.words}](../methods/{page}.md)",
            least_change(metric),
            usual_repeatability(metric),
        )
        for name, metric in METRICS.items()
        if (page := metric_words.method_page(name))
    ]
    head = ("metric", "unit", "what it is", "least change worth reporting", "repeats within")
    return markdown_table(head, rows)


def least_change(metric: Metric) -> str:
    """Return a metric's least change in words; empty where it has none."""
    if metric.least_share:
        return f"{100.0 * metric.least_share:g} % of it"
    return f"{metric.least_change:g} {words.unit(metric.unit)}" if metric.least_change else ""


def usual_repeatability(metric: Metric) -> str:
    """Return the standard deviation of playings that counts where an archive has no repeats."""
    usual = metric.usual_repeatability
    if metric.is_proportional:
        return f"{100.0 * usual:g} % of it"
    return f"{usual:g} {words.unit(metric.unit)}"


def markdown_table(head: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    """Return a Markdown table; text in it is taken as it is, but for what would end a cell."""
    lines = [head, tuple("---" for _ in head), *rows]
    return "\n".join(
        "| " + " | ".join(" ".join(cell.split()).replace("|", "\\|") for cell in line) + " |"
        for line in lines
    )


def main() -> int:
    """Run the program; the exit status."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "--check", action="store_true", help="write nothing, list what is out of date"
    )
    check = parser.parse_args().check
    status = 0
    for path, text in pages().items():
        if path.is_file() and path.read_text(encoding="utf-8") == text:
            continue
        if check:
            status = 1
        else:
            path.write_text(text, encoding="utf-8")
        print(f"{'out of date' if check else 'written'}: {path.name}")
    return status


if __name__ == "__main__":
    raise SystemExit(main())
