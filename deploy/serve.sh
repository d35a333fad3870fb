#!/usr/bin/env bash
# counterfoil with what first-run.sh wrote down: `with-settings serve`, `with-settings check` …
set -a
. /for-server/settings
exec counterfoil "$@"
