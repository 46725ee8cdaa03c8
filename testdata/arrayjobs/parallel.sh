#!/bin/sh
# All cases on one machine, as many at once as it has processors, with GNU parallel.
#
#   parallel.sh CASES RESULTS
set -eu
here=$(cd "$(dirname "$0")" && pwd)
mkdir -p "$2"
seq "$(wc -l <"$1")" | GOMAXPROCS=1 parallel --halt never "$here/task.sh" "$1" {} "$2"
