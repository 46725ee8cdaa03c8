# What START-HERE says under 2, without a mouse: the demo is made, opened, and its case C-101
# measured. To be read by a script, which then has: follow ADDRESS JAR.

# shown waits for the address in what a program prints to a file.
shown() {
  for _ in $(seq 300); do
    if grep -q 127.0.0.1 "$1"; then
      tr -d '\r' <"$1" | grep -o 'http://127[^ ]*' | head -1
      return 0
    fi
    sleep 0.2
  done
  cat "$1" >&2
  return 1
}

# sent posts a form as the page itself would, and waits for nothing.
sent() { curl -sS -o /dev/null -b "$jar" -H 'Sec-Fetch-Site: same-origin' -X POST "$@"; }

# until_shown asks for a view until it has some text, and says as a page does that it is there.
until_shown() {
  for _ in $(seq 600); do
    sent "$(echo "$1" | cut -d/ -f1-3)/here?page=follow"
    curl -sS -b "$jar" "$1" >"$jar.view"
    ! grep -q "$2" "$jar.view" || return 0
    sleep 0.5
  done
  echo "no \"$2\" on $1" >&2
  return 1
}

follow() {
  jar=$2
  curl -sS -c "$jar" "$1" >/dev/null
  page=${1%/enter/*}
  until_shown "$page/" 'href="/demo">Try it on invented cases first'
  until_shown "$page/demo" '<button class="main">Make the demo'
  sent "$page/demo"
  until_shown "$page/demo" '>Open the demo<'
  demo=$(grep -o 'http://127[^"]*' "$jar.view" | head -1)
  curl -sS -c "$jar.demo" "$demo" >/dev/null
  jar=$jar.demo
  demo=${demo%/enter/*}
  until_shown "$demo/" 'href="/case/C-101'
  until_shown "$demo/case/C-101/follow-up" 'action="measure"'
  sent "$demo/case/C-101/measure"
  until_shown "$demo/case/C-101/result" 'Margin missed'
  until_shown "$demo/series" 'Every case, in the order of surgery'
  # The first page was left for the demo, and has ended a minute later.
  sent "$demo/end"
}
