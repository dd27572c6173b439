"""Write workflow/docs/licences.md from the metadata of the packages that a run needs.

python scripts/studies/write_licences.py

The packages are those of workflow/environment/run.lock, which must be installed.
"""

import re
from importlib import metadata
from pathlib import Path

PROJECT = Path(__file__).parents[2]
PAGE = PROJECT / "workflow" / "docs" / "licences.md"
LOCK = PROJECT / "workflow" / "environment" / "run.lock"
#: Beginning of a classifier that names a licence.
CLASSIFIER = "License :: "


def packages() -> list[str]:
    """Return the names of the packages that the lock file names."""
    return re.findall(r"^([a-z0-9._-]+)==", LOCK.read_text(encoding="utf-8"), re.MULTILINE)


def licence(package: str) -> str:
    """Return a package's licence, from its metadata or its licence file's first line."""
    facts = metadata.metadata(package)
    if expression := facts.get("License-Expression"):
        return expression
    named = [
        text.removeprefix(CLASSIFIER).removeprefix("OSI Approved :: ")
        for text in facts.get_all("Classifier") or ()
        if text.startswith(CLASSIFIER) and text != "License :: OSI Approved"
    ]
    if named:
        return ", ".join(named)
    files = [file for file in metadata.files(package) or () if "LICEN" in file.name.upper()]
    text = (facts.get("License") or "").strip() or files[0].read_text().strip()
    return text.splitlines()[0]


def page() -> str:
    """Return the page."""
    lines = [
        "# Licences of the dependencies",
        "",
        "Groove Ledger itself is under the MIT licence. It is used with these packages, none of "
        "which is part of it; each comes from its own authors under its own licence. Generated "
        "from the packages' metadata. The package soundfile carries libsndfile, under the LGPL 2.1 "
        "or later, as a library of its own.",
        "",
        "| package | licence |",
        "| --- | --- |",
    ]
    lines += [f"| {name} | {licence(name).replace('|', '/')} |" for name in packages()]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
    print(f"written: {PAGE.name}")
