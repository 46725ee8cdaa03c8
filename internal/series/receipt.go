package series

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math/big"
	"strconv"
	"strings"
)

// A receipt is the number of records and the first 70 bits of the last one's
// hash, with 10 bits that tell a slip in typing from a changed file, in Crockford's
// base 32: no I, L, O or U. To write another file for a given receipt takes some
// 2^70 trials.
const (
	receiptAlphabet = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
	receiptSymbols  = 16
	receiptHash     = 14 // symbols of 5 bits that come from the hash
)

// receiptOf is the receipt of the head with the given number and hash, as in
// 27-9M4E-2Q7X-TB0C-51HD. An empty file has none.
func receiptOf(number int, hash string) string {
	if number == 0 {
		return ""
	}
	symbols, err := hashPrefix(hash)
	if err != nil {
		return ""
	}
	symbols += receiptCheck(number, symbols)
	out := strconv.Itoa(number)
	for i := 0; i < receiptSymbols; i += 4 {
		out += "-" + symbols[i:i+4]
	}
	return out
}

// hashPrefix is the part of a hash that a receipt carries.
func hashPrefix(hash string) (string, error) {
	raw, err := hex.DecodeString(hash)
	if err != nil || len(raw) != sha256.Size {
		return "", fmt.Errorf("%q is no SHA-256", hash)
	}
	return base32(raw, receiptHash), nil
}

func receiptCheck(number int, symbols string) string {
	sum := sha256.Sum256([]byte(strconv.Itoa(number) + "-" + symbols))
	return base32(sum[:], receiptSymbols-receiptHash)
}

// base32 is the first n groups of 5 bits.
func base32(raw []byte, n int) string {
	v := new(big.Int).SetBytes(raw)
	v.Rsh(v, uint(8*len(raw)-5*n))
	out := make([]byte, n)
	for i := n - 1; i >= 0; i-- {
		out[i] = receiptAlphabet[new(big.Int).And(v, big.NewInt(31)).Int64()]
		v.Rsh(v, 5)
	}
	return string(out)
}

// parseReceipt reads a receipt as people type it: in either case, with O for 0
// and I or L for 1, with spaces, with or without its dashes but the first.
func parseReceipt(text string) (number int, symbols string, err error) {
	bad := func(why string) error {
		return fmt.Errorf("receipt %q %s; expected one as printed, a number and four groups of four, as in 27-9M4E-2Q7X-TB0C-51HD", text, why)
	}
	clean := strings.ToUpper(strings.Join(strings.Fields(text), ""))
	count, rest, ok := strings.Cut(clean, "-")
	rest = strings.NewReplacer("-", "", "O", "0", "I", "1", "L", "1").Replace(rest)
	if !ok || len(rest) != receiptSymbols || strings.Trim(rest, receiptAlphabet) != "" {
		return 0, "", bad("has another form")
	}
	number, err = strconv.Atoi(count)
	if err != nil || number < 1 || count != strconv.Itoa(number) {
		return 0, "", bad("does not begin with a number of records")
	}
	if rest[receiptHash:] != receiptCheck(number, rest[:receiptHash]) {
		return 0, "", bad("is mistyped: its last two letters do not fit the rest")
	}
	return number, rest[:receiptHash], nil
}
