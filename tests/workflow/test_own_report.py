"""Snakemake's own report of a run: figures and the workbook, with captions, off the network."""

import zipfile


def test_the_report_holds_the_figures_of_each_stylus_and_the_workbook(measured, tmp_path):
    path = tmp_path / "report.zip"
    measured.run("--report", str(path))
    with zipfile.ZipFile(path) as archive:
        names = archive.namelist()
    assert sum(name.endswith("archive.xlsx") for name in names) == 1
    pictures = {name.rsplit("/", 1)[-1] for name in names if name.endswith(".png")}
    shown = {path.name for path in (measured.results / "figures").rglob("*.png")}
    assert shown
    assert pictures >= shown
