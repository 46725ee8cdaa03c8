#!/bin/sh
# Signs what make dist made with a key that is thrown away, as make sign does with the
# owner's, looks whether both signatures hold, and makes the archives without them again.
set -eu
cd "$(dirname "$0")/../.."
keys=$(mktemp -d)
trap 'rm -rf "$keys"' EXIT
openssl req -x509 -newkey rsa:3072 -nodes -days 2 -subj "/CN=a key that is thrown away" \
  -addext extendedKeyUsage=codeSigning -keyout "$keys/key.pem" -out "$keys/cert.pem" 2>"$keys/log" || { cat "$keys/log"; exit 1; }
cp -r build/programs "$keys/programs"
verify() { osslsigncode verify -CAfile "$keys/cert.pem" -in "$1" >"$keys/log" 2>&1; }
for program in build/programs/windows-*/plumbline.exe; do
  ! verify "$program" || { echo "$program counts as signed before it is"; exit 1; }
done
make sign SIGN="-certs $keys/cert.pem -key $keys/key.pem"
unzip -q -o build/dist/plumbline-*-windows.zip -d "$keys/unpacked"
for program in "$keys/unpacked/plumbline.exe" "$keys/unpacked/for Arm/plumbline.exe"; do
  verify "$program" || { cat "$keys/log"; exit 1; }
  # A changed byte is found.
  printf x | dd of="$program" bs=1 seek=100000 conv=notrunc 2>/dev/null
  ! verify "$program" || { echo "a changed program counts as signed"; exit 1; }
done
rm -rf build/programs
mv "$keys/programs" build/programs
make pack
echo "Signed, and the signatures hold."
