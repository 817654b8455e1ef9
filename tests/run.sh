#!/bin/sh
# The checks of this repository, in a virtual environment that it makes (.venv).
#
#   sh tests/run.sh                      format, lint, types, then all tests
#   sh tests/run.sh tests/core -k walk   only pytest, with these arguments
#   sh tests/run.sh bench                only the benches, which print their figures
#   sh tests/run.sh scenarios --seeds 2  plays every scenario, prints what is concluded of it
set -eu

root=$(cd "$(dirname "$0")/.." && pwd)
cd "$root"
. deploy/environment.sh
make_environment "$root" test

if [ "${1:-}" = bench ]; then
    shift
    exec "$python" -m pytest -m bench -s tests/bench "$@"
fi
if [ "${1:-}" = scenarios ]; then
    shift
    PYTHONPATH="$root/tests${PYTHONPATH:+:$PYTHONPATH}" exec "$python" -m scenarios.run "$@"
fi
if [ $# -eq 0 ]; then
    "$python" -m ruff format --check
    "$python" -m ruff check
    "$python" -m mypy
    # On every core what does not mind the time; then the rest, one by one.
    timed="tests/integration tests/browser tests/deploy tests/app/test_daemon.py"
    timed="$timed tests/simulator/test___main__.py tests/sources/test_wire_chaos.py"
    ignored=$(printf -- '--ignore=%s ' $timed)
    "$python" -m pytest -n logical --dist loadfile \
        -m "not soak and not bench" $ignored
    exec "$python" -X dev -m pytest -m "not soak and not bench" $timed
fi
exec "$python" -X dev -m pytest -m "not soak and not bench" "$@"
