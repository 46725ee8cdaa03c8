# Writes chain.jsonl and receipts.txt: a series written by another program from
# the package's description of the file alone. Python 3.11, hashlib and json.
import hashlib, json

ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"

def receipt(number, digest):
    def letters(raw, n):
        bits = "".join(format(b, "08b") for b in raw)
        return "".join(ALPHABET[int(bits[5 * i:5 * i + 5], 2)] for i in range(n))
    text = letters(digest, 14)
    text += letters(hashlib.sha256(("%d-%s" % (number, text)).encode()).digest(), 2)
    return "%d-%s" % (number, "-".join(text[i:i + 4] for i in range(0, 16, 4)))

records = [
    {"kind": "sealed", "time": "2026-03-02T08:00:00+01:00", "case": "C-001",
     "plan": {"sha256": "ab" * 32, "clinician": "clinician-a", "placed": "2026-03-03", "frame": "lps",
              "fixtures": [{"site": "36", "entry": [1, 2, 3], "apex": [1, 2, -7], "diameter": 4.1, "length": 10}]}},
    {"kind": "left-out", "time": "2026-03-10T08:00:00+01:00", "case": "C-001", "reason": "follow-up scan of another practice – not to be had"},
    {"kind": "remark", "time": "2026-03-11T08:00:00+01:00", "author": "mentor-b", "text": "Seen; ask again.\nSigned."},
]
before, out, receipts = "0" * 64, [], []
for i, r in enumerate(records):
    r = {"schema": "plumbline/series/1", "record": i + 1, **r, "before": before}
    body = json.dumps(r, ensure_ascii=False)[:-1]
    digest = hashlib.sha256(body.encode()).digest()
    before = digest.hex()
    out.append(body + ',"hash":"' + before + '"}\n')
    receipts.append(receipt(i + 1, digest) + "\n")
open("chain.jsonl", "w", newline="").write("".join(out))
open("receipts.txt", "w", newline="").write("".join(receipts))
