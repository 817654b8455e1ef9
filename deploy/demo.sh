#!/bin/sh
# The main job in a minute and a half: simulated cells, the daemon, and a verdict at the end.
#
#   sh deploy/demo.sh          ends by itself; exit code 0 if all was concluded rightly
#   sh deploy/demo.sh --keep   goes on until Ctrl-C
set -eu

root=$(cd "$(dirname "$0")/.." && pwd)
cd "$root"
. deploy/environment.sh
make_environment "$root"
exec "$python" deploy/demo.py "$@"
