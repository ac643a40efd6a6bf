#!/bin/sh
# start.sh [--search] PROGRAM ARGUMENTS...
#
# Finds a Python and hands over to environment.py. The environment's own Python is taken
# when there is one. Otherwise, or with --search, each candidate is tried: a name proves
# nothing (a launcher may stand for a version that is not installed).
set -u
scripts=${0%/*}
environment=$scripts/../.venv

probe='
import sys
fits = (3, 11) <= sys.version_info[:2] <= (3, 13)
if fits:
    try:
        import ensurepip, venv
        state = "fits"
    except ImportError:
        state = "bare"
else:
    state = "other"
print(state + " " + ".".join(str(part) for part in sys.version_info[:3]))
'

refuse() {
    printf 'harness: %s\n' "$1" >&2
    exit 2
}

# Sets `found` and returns 0 when $1 is a Python that can make the environment.
# Leaves in `unfit` and `bare` what it saw otherwise, for the message.
try() {
    answer=$("$1" -E -S -c "$probe" 2>/dev/null </dev/null) || return 1
    version=${answer#* }
    case $answer in
        "fits "*) found=$1; return 0 ;;
        "bare "*) [ -n "$bare" ] || { bare=$1; bare_version=${version%.*}; } ;;
        "other "*) [ -n "$unfit" ] || unfit="$version ($1)" ;;
    esac
    return 1
}

search() {
    set -f
    for name in python3.13 python3.12 python3.11 python3 python; do
        IFS=:
        for folder in $PATH; do
            unset IFS
            candidate=${folder:-.}/$name
            if [ -f "$candidate" ] && [ -x "$candidate" ] && try "$candidate"; then
                return 0
            fi
        done
        unset IFS
    done
    return 1
}

found='' unfit='' bare='' mode=searched
if [ "$1" = --search ]; then
    shift
elif [ -z "${HARNESS_PYTHON:-}" ] && [ -x "$environment/bin/python" ] &&
    [ -f "$environment/made-from-run.txt" ]; then
    found=$environment/bin/python
    mode=made
fi

if [ -z "$found" ]; then
    if [ -n "${HARNESS_PYTHON:-}" ]; then
        try "$HARNESS_PYTHON" || [ -n "$bare$unfit" ] ||
            refuse "HARNESS_PYTHON names $HARNESS_PYTHON, which does not run as Python; name a Python 3.11, 3.12 or 3.13 and run again."
    else
        search
    fi
fi
if [ -z "$found" ]; then
    [ -z "$bare" ] ||
        refuse "Python $bare_version at $bare lacks its venv module; install it (Debian, Ubuntu: apt install python$bare_version-venv) and run again."
    [ -z "$unfit" ] ||
        refuse "Python 3.11, 3.12 or 3.13 is needed, and only $unfit was found; install one of them, or name it in HARNESS_PYTHON, and run again."
    refuse "Python 3.11, 3.12 or 3.13 is needed, and no Python was found; install one of them, or name it in HARNESS_PYTHON, and run again."
fi
exec "$found" -I -S "$scripts/environment.py" "$mode" "$@"
