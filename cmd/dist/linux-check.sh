#!/bin/sh
# Unpacks the archive for Linux that make dist made, installs it into a home that is empty, and
# does what START-HERE says to try first.
set -eu
cd "$(dirname "$0")"
. "$PWD/follow.sh"
archive=$(ls "$PWD"/../../build/dist/plumbline-*-linux-amd64.tar.gz)
dir=$(mktemp -d)
trap 'rm -rf "$dir"' EXIT
cd "$dir"
export HOME="$dir/home"
tar xzf "$archive"
(cd plumbline-*/ && sha256sum --quiet -c SHA256SUMS && sh install.sh)
"$HOME/.local/bin/plumbline" open --no-browser >opened 2>&1 &
follow "$(shown opened)" jar
wait $!
echo "What START-HERE for Linux says works, from the archive to a result."
