#!/bin/sh
# Measures one case of many; run it once a case, in any order, on any machine that sees both
# folders. A case whose measurement is there is left alone, and a measurement is there whole
# or not at all, so that a run that was stopped is simply started again.
#
#   task.sh CASES NUMBER RESULTS
#
# CASES is a text file with a case folder a line, NUMBER counts its lines from 1. PLUMBLINE may
# name the program. Exit status 3, measured and in doubt, is a result and no failure.
set -eu
case=$(sed -n "$2p" "$1")
test -n "$case" || { echo "task.sh: $1 has no line $2" >&2; exit 2; }
out="$3/$2.json"
test -s "$out" && exit 0
status=0
"${PLUMBLINE:-plumbline}" measure --json "$out" "$case" >"$3/$2.txt" 2>"$3/$2.err" || status=$?
test "$status" -eq 0 || test "$status" -eq 3
