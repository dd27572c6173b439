#!/bin/sh
# Measure an archive: the demo, or with my/config.yaml your own; --help says more.
# Makes the environment from the lock file when needed.
set -eu
project=$(CDPATH= cd -- "$(dirname -- "$0")/.." && pwd)
. "$project/scripts/environment.sh"
help_asked "$@" || environment run

# The pages' numbers don't depend on it, but one thread a job keeps the cores for the jobs.
export OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 MPLBACKEND=agg
# Of a job's memory in large pages less is spent on asking for them (glibc 2.35 and later).
export GLIBC_TUNABLES="${GLIBC_TUNABLES:-glibc.malloc.hugetlb=1}"
exec "$python" "$project/scripts/run.py" "$@"
