#!/bin/sh
# Puts plumbline into your home folder: the program, its entry in the menu, its manual page
# and what shells complete. Nothing of the system is touched. To take it away again:
#   sh install.sh --remove
set -eu
cd "$(dirname "$0")"
data=${XDG_DATA_HOME:-$HOME/.local/share}
bin=$HOME/.local/bin
files=$(cd share && find . -type f)
if [ "${1:-}" = --remove ]; then
  rm -f "$bin/plumbline"
  for f in $files; do rm -f "$data/$f"; done
  echo "plumbline is taken away. Your cases are where they were."
  exit
fi
mkdir -p "$bin"
cp plumbline "$bin/plumbline.new" && mv "$bin/plumbline.new" "$bin/plumbline"
for f in $files; do
  mkdir -p "$data/$(dirname "$f")"
  cp "share/$f" "$data/$f"
done
# The menu has no PATH of yours.
sed "s|^Exec=plumbline |Exec=\"$bin/plumbline\" |" share/applications/plumbline.desktop >"$data/applications/plumbline.desktop"
echo "Installed. Plumbline is in the menu of your desktop, or type: $bin/plumbline open"
