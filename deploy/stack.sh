#!/bin/sh
# Prometheus, and Alertmanager where it is installed, with our rules beside a running daemon.
#
#   sh deploy/stack.sh                          the demo, which is started unless it runs
#   sh deploy/stack.sh --target 127.0.0.1:9464  a daemon that runs
#
# Ctrl-C ends what was started here, and nothing else.
set -eu

root=$(cd "$(dirname "$0")/.." && pwd)
cd "$root"
. deploy/environment.sh
make_environment "$root"
exec "$python" deploy/stack.py "$@"
