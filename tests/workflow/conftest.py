"""One small archive, measured once by the whole workflow, for all tests of the workflow."""

import fcntl
import os
import shutil
from pathlib import Path

import pytest

from grooveledger.simulate.archives import small_archive
from workspace import Workspace, copy_project


@pytest.fixture(scope="session")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """An archive of three captures of two sides that the whole workflow has measured.

    It is measured once, however many processes the tests run in. Each edits a copy of its own.
    """
    here = tmp_path_factory.getbasetemp()
    # With several processes, the folder of each lies in that of the run.
    root = (here.parent if "PYTEST_XDIST_WORKER" in os.environ else here) / "measured"
    root.mkdir(exist_ok=True)
    with (root / ".lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        first = measured_first(root)
    own = tmp_path_factory.mktemp("workflow")
    project = shutil.copytree(first.project, own / "project")
    return Workspace(project, first.copied(own / "archive").folder)


def measured_first(root: Path) -> Workspace:
    """The archive below a folder, which one process measures."""
    workspace = Workspace(root / "project", root / "archive")
    done = root / "done"
    if not done.exists():
        for folder in (workspace.project, workspace.folder):
            shutil.rmtree(folder, ignore_errors=True)
        small_archive(workspace.folder, captures=3, sides=("a", "b"))
        copy_project(workspace.project)
        workspace.run()
        done.touch()
    return workspace
