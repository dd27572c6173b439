#!/bin/sh
# Begin a new archive: scripts/start.sh my-archive --captures-dir my-recordings
# Makes the environment from the lock file when needed; the arguments are those of start.py.
set -eu
project=$(CDPATH= cd -- "$(dirname -- "$0")/.." && pwd)
. "$project/scripts/environment.sh"
help_asked "$@" || environment run
exec "$python" "$project/scripts/start.py" "$@"
