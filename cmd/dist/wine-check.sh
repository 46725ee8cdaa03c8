#!/bin/sh
# Unpacks the archive for Windows that make dist made and runs its program under wine:
# version, the measurement of a small case, the page with one request, and what START-HERE
# says to try first.
set -eu
cd "$(dirname "$0")"
. "$PWD/follow.sh"
cd ../..
archive=$(ls "$PWD"/build/dist/plumbline-*-windows.zip)
go build -o build/plumbline-here ./cmd/plumbline
here=$PWD/build/plumbline-here
dir=$(mktemp -d)
trap 'wineserver -k 2>/dev/null || true; rm -rf "$dir"' EXIT
cd "$dir"
export HOME="$dir" WINEPREFIX="$dir/prefix" WINEDEBUG=-all WINEDLLOVERRIDES="mscoree,mshtml=" 
wineboot -i >/dev/null 2>&1
# Go asks Windows for random numbers by ProcessPrng, which wine has from version 9 on; an older
# one gets a library that passes the call on to the function that it has.
if [ ! -e prefix/drive_c/windows/system32/bcryptprimitives.dll ]; then
  printf 'LIBRARY bcryptprimitives.dll\nEXPORTS\n  ProcessPrng = advapi32.SystemFunction036\n' >passed.def
  x86_64-w64-mingw32-dlltool -d passed.def --dllname bcryptprimitives.dll -e passed.exp
  x86_64-w64-mingw32-ld -shared --entry 0 -o prefix/drive_c/windows/system32/bcryptprimitives.dll passed.exp
fi
unzip -q "$archive" -d "plumbline for Windows"
cd "plumbline for Windows"
plumbline() { wine plumbline.exe "$@"; }

plumbline version | tr -d '\r' | tee ../version
grep -q "^plumbline $(basename "$archive" | sed 's/^plumbline-//; s/-windows.zip$//')\$" ../version

"$here" phantom --seed 3 --class easy --voxel 0.4 --field 24 ../C-101 >/dev/null
mv ../C-101/case-matrix.toml ../C-101/case.toml
"$here" measure --json ../here.json ../C-101 >/dev/null || test $? = 3
plumbline measure --json ../windows.json ../C-101 >../measured || test $? = 3
grep -q '^ *entry' ../measured
# Every figure as on this system, to a hundredth.
figures() { grep -o '"\(entry\|apex\|depth\|lateral\|angle\)[a-z_]*": *-\?[0-9.]*' "$1" | sed 's/\(\.[0-9][0-9]\)[0-9]*/\1/'; }
figures ../here.json >../here.txt
figures ../windows.json >../windows.txt
test -s ../here.txt
cmp ../here.txt ../windows.txt

# The page: a secret that works once, and a cookie.
plumbline open --no-browser ../cases >../opened 2>&1 &
address=$(shown ../opened)
curl -sS -c ../jar "$address" >/dev/null
curl -sS -b ../jar "${address%/enter/*}/" >../page.html
grep -q '<h1>Your cases</h1>' ../page.html
test "$(curl -sS -o /dev/null -w '%{http_code}' "${address%/enter/*}/")" = 403
curl -sS -b ../jar -H 'Sec-Fetch-Site: same-origin' -X POST "${address%/enter/*}/end" >/dev/null
wait $!
test -d ../cases

plumbline open --no-browser >../tried 2>&1 &
follow "$(shown ../tried)" ../tried.jar
wait $!
echo "The program for Windows runs under $(wine --version): version, measure, open, the demo."
