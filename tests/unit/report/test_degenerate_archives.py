"""Archives at the edge of what can be interpreted: every table, page and the workbook is made.

A small version of `whole_archives` of scripts/studies/drift_study.py.
"""

import warnings

import pytest

import degenerate_archives


@pytest.mark.parametrize("seed", [1, 14, 28, 100])
def test_everything_is_made_of_a_degenerate_archive(seed, tmp_path):
    with warnings.catch_warnings():
        # Huge values overflow where pandas averages them.
        warnings.simplefilter("ignore", RuntimeWarning)
        said = degenerate_archives.everything(seed, tmp_path, rendered=False)
    assert all(sentence.endswith(".") for sentence in said)
    assert (tmp_path / "report/index.html").exists()
    assert (tmp_path / "report/comparison.html").exists()
    assert len(list((tmp_path / "report/styli").glob("*.html"))) == len(said)
    assert (tmp_path / "export/archive.xlsx").exists()
