# Sourced: makes the virtual environment from a lock file, anew when the lock file has changed.
# Sets $python. VENV names another folder for it than .venv in the project.

# Without their bytecode kept, every job would compile the library's modules anew.
unset PYTHONDONTWRITEBYTECODE

environment() {
    lock="$project/workflow/environment/$1.lock"
    venv="${VENV:-$project/.venv}"
    python="$venv/bin/python"
    stamp="$venv/$1.lock"
    # The packages for the tests hold those for a run.
    if cmp -s "$lock" "$stamp" || { [ "$1" = run ] && cmp -s "$project/workflow/environment/test.lock" "$venv/test.lock"; }; then
        return
    fi
    base=$(command -v "${PYTHON:-python3}") || {
        echo "No python3 here: install Python 3.11 or newer, with pip and venv." >&2
        exit 1
    }
    "$base" -c 'import sys; sys.exit(sys.version_info < (3, 11))' || {
        echo "$base is $("$base" -V): Python 3.11 or newer is needed; name one with PYTHON=..." >&2
        exit 1
    }
    echo "Making the environment in $venv (once; about a minute)."
    "$base" -m venv "$venv" || {
        echo "No virtual environment could be made: install your system's python3-venv." >&2
        exit 1
    }
    # --no-deps: the lock file names every package.
    "$python" -m pip install --quiet --disable-pip-version-check --require-hashes --no-deps \
        --no-compile -r "$lock"
    # Bytecode is made once, not at each job's start, on every core; not of the packages' own tests.
    # What some package ships for other versions of Python does not compile, and need not.
    "$python" -m compileall -qq -j 0 -x 'site-packages/.*/tests?/' "$venv/lib" || true
    cp "$lock" "$stamp"
}

# Whether help is asked for, which needs no environment; any Python 3 shows it.
help_asked() {
    for word in "$@"; do
        case $word in
        --) return 1 ;;
        -h | --help)
            python=$(command -v "${PYTHON:-python3}") && export PYTHONDONTWRITEBYTECODE=1
            return
            ;;
        esac
    done
    return 1
}
