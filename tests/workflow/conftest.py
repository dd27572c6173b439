"""One small archive, measured once by the whole workflow, for all tests of the workflow."""

import shutil
from pathlib import Path

import pytest

from grooveledger.simulate.archives import small_archive
from made_once import made_once
from workspace import Workspace, copy_project


@pytest.fixture(scope="session")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """An archive of three captures of two sides that the whole workflow has measured.

    Tests edit it: each of the processes they run in has a copy.
    """
    first = measured_below(made_once(tmp_path_factory, "measured", measure))
    own = tmp_path_factory.mktemp("workflow")
    project = shutil.copytree(first.project, own / "project")
    return Workspace(project, first.copied(own / "archive").folder)


def measured_below(root: Path) -> Workspace:
    return Workspace(root / "project", root / "archive")


def measure(root: Path) -> None:
    workspace = measured_below(root)
    small_archive(workspace.folder, captures=3, sides=("a", "b"))
    copy_project(workspace.project)
    workspace.run()
