"""One small archive, measured once by the whole workflow, for all tests of the workflow."""

import pytest

from grooveledger.simulate.archives import small_archive
from workspace import Workspace, copy_project


@pytest.fixture(scope="session")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """An archive of three captures of two sides that the whole workflow has measured."""
    root = tmp_path_factory.mktemp("workflow")
    small_archive(root / "archive", captures=3, sides=("a", "b"))
    workspace = Workspace(copy_project(root / "project"), root / "archive")
    workspace.run()
    return workspace
