#!/bin/sh
# Find a Python of 3.11 or newer and let it set up the environment in .venv.
# PYTHON=/some/where/python chooses one; the versions were resolved on 3.11, so that comes first.
set -eu
cd "$(dirname "$0")/.."

try='import sys; sys.exit(sys.version_info < (3, 11))'
for name in "${PYTHON:-python3.11}" python3.12 python3.13 python3; do
    if "$name" -c "$try" >/dev/null 2>&1; then
        exec "$name" scripts/environment.py "$@"
    fi
    [ -z "${PYTHON:-}" ] || break
done
echo "set-up: no Python of 3.11 or newer was found${PYTHON:+ as $PYTHON}; install the packages" \
    "python3 and python3-venv (Debian 12, Ubuntu 24.04) or take it from python.org." >&2
exit 1
