#!/bin/sh
# Format, lint, types, workflow lint and tests; arguments go on to pytest.
set -eu
project=$(CDPATH= cd -- "$(dirname -- "$0")/.." && pwd)
. "$project/scripts/environment.sh"
environment test
cd "$project"
export OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 MPLBACKEND=agg
"$python" -m ruff format --check scripts tests
"$python" -m ruff check scripts tests
"$python" -m mypy --num-workers auto
"$python" scripts/studies/lint_workflow.py
# A file's tests stay together, since they share what they simulate.
exec "$python" -m pytest --numprocesses auto --dist loadfile --no-loadscope-reorder "$@"
