# Needs Go, make and git. `make demo` and `make test` are the two to start with.
VERSION := $(shell git describe --always --abbrev=12 --dirty=+changes 2>/dev/null || echo unknown)
LDFLAGS := -s -w -buildid= -X main.version=$(VERSION)
# The compiler takes a fifth less time with less garbage collection, and twice the memory.
BUILD   := CGO_ENABLED=0 GOGC=400 go build -trimpath -buildvcs=false -ldflags '$(LDFLAGS)'
STATICCHECK := honnef.co/go/tools/cmd/staticcheck@v0.8.2
FUZZTIME ?= 20s
AXE := 4.10.2

.PHONY: build demo reports test thorough browser pictures standards engines race lint accuracy bench fuzz golden notices dist pack sign sign-check wine linux-check clean

build:
	$(BUILD) -o build/plumbline ./cmd/plumbline

demo: build
	rm -rf demo
	build/plumbline phantom --demo demo
	build/plumbline report demo/series.jsonl demo/reports/series.html
	build/plumbline measure --json demo/results --report demo/reports demo/*/case.toml
	@echo
	@echo "Open next, in a browser: demo/reports/C-101.html, a case; demo/reports/series.html, fifty cases."
	@echo "In words: build/plumbline series show demo/series.jsonl"
	@echo "What a case of your own needs is in demo/C-101/case.toml and in README.md."

# Measures some fifty phantoms: takes several minutes. Needs pdftoppm and montage, too.
reports:
	rm -rf reports && mkdir reports
	go test -tags samples -count=1 -timeout 3h -run TestWriteSamples ./internal/cli

test:
	go test -vet=off -short ./...
	@echo "What takes longer is left to make thorough, go vet to make lint, and the page in the"
	@echo "browser to make browser, which needs Chromium and npm."

# Every test, those that take longer too.
thorough:
	go test -timeout 40m ./...

# The page in a real browser, by mouse, keys and touch, what goes wrong meanwhile, and every
# view and report under axe-core. Needs Chromium (Debian's package chromium) and npm, which brings
# axe-core. With PLUMBLINE_PICTURES=FOLDER it keeps a picture of every view.
browser: build/axe/node_modules/axe-core/axe.min.js
	AXE=$(CURDIR)/$< go test -tags browser -count=1 -timeout 30m -run 'TheCourse|Axe|Browser' ./internal/page

# The README's pictures of the page.
pictures: build/axe/node_modules/axe-core/axe.min.js
	AXE=$(CURDIR)/$< PLUMBLINE_README=$(CURDIR)/testdata/page go test -tags browser -count=1 -run 'CourseByMouse|Axe' ./internal/page

build/axe/node_modules/axe-core/axe.min.js:
	mkdir -p build/axe && npm install --no-save --silent --prefix build/axe axe-core@$(AXE)

# What is written for other programs, under their validators and readers. Needs Debian's
# dicom3tools, dcmtk, pixelmed-apps, default-jre-headless and python3-pydicom.
standards:
	sh internal/report/exchange/testdata/check.sh | diff internal/report/exchange/testdata/verdicts.txt -

# A Parquet file of ours as DuckDB and hyparquet read it, and a table as PostgreSQL does. Needs
# npm, which brings the first two, and Debian's postgresql.
engines:
	mkdir -p build/engines && npm install --no-save --silent --prefix build/engines @duckdb/node-api@1.5.6-r.1 hyparquet@1.33.0
	cp internal/parquetfile/testdata/engines.mjs build/engines/
	node build/engines/engines.mjs internal/parquetfile/testdata/engines.parquet | diff internal/parquetfile/testdata/engines.json -
	testdata/engines/postgresql.sh internal/cli/testdata/series-table.csv | diff testdata/engines/postgresql.txt -

# What shares work out, under the race detector; that needs a C compiler.
race:
	go test -race ./internal/parallel ./internal/volume ./internal/deviation/uncertainty
	go test -race -run 'SameBytes|ScanFitsItself|MotionIsSeen|Bodies|Probe|ReadAll|Progress|CtrlC|MissingFixture|PhantomIsMade' \
	  ./internal/registration/intensity ./internal/fixture ./internal/anatomy/clearance ./internal/report/... ./internal/dicom/scan ./internal/cli

lint:
	go vet ./... && go vet -tags accuracy ./... && go vet -tags browser ./...
	test -z "$$(gofmt -l cmd internal)" || { gofmt -l cmd internal; exit 1; }
	go run $(STATICCHECK) ./...

accuracy:
	go test -tags accuracy -timeout 4h -v -run 'Accuracy|Coverage|Calibration|Thousand' ./internal/...

# Whole cases step by step, and every hot loop. testdata/toolkit/compare.py sets whole
# cases side by side with a script of general-purpose libraries, where they are installed.
bench:
	go test -run '^$$' -bench . -benchmem -timeout 1h ./internal/...

fuzz:
	@for target in $$(grep -rl '^func Fuzz' internal --include '*_test.go'); do \
	  for name in $$(grep -o '^func Fuzz[A-Za-z0-9]*' $$target | cut -c6-); do \
	    go test -run '^$$' -fuzz "^$$name$$" -fuzztime $(FUZZTIME) -fuzzminimizetime 5x ./$$(dirname $$target) || exit 1; \
	  done; done

golden:
	go test ./internal/cli ./internal/report ./internal/dicom/scan ./internal/series/analysis -update

# The licences of what is linked, for version --notices; due when go.mod has changed.
notices:
	go run ./cmd/notices internal/cli/notices.txt

# An archive for each system, into build/dist; the same commit and Go give the same bytes.
dist:
	go run ./cmd/dist -version $(VERSION) build
	$(MAKE) pack VERSION=$(VERSION)

# The archives alone, of the programs that were built or signed.
pack:
	go run ./cmd/dist -version $(VERSION) pack
	DIST=$(CURDIR)/build/dist VERSION=$(VERSION) go test -count=1 -run WhatWasMade ./cmd/dist

# The programs for Windows signed with keys of your own, and packed again; after make dist.
# SIGN says with what, for osslsigncode: -pkcs12 FILE -readpass FILE, or -certs FILE -key FILE,
# with -ts URL of your authority's clock. See DEVELOPERS.md, also for macOS.
sign:
	test -n "$(SIGN)" || { echo "say with which keys: make sign SIGN='-certs CERT.pem -key KEY.pem -ts URL'"; exit 1; }
	for program in build/programs/windows-*/plumbline.exe; do \
	  osslsigncode sign $(SIGN) -h sha256 -n plumbline -in $$program -out $$program.signed && mv $$program.signed $$program || exit 1; \
	done
	$(MAKE) pack VERSION=$(VERSION)

# make sign with a key that is thrown away, and a look whether the signature holds.
sign-check:
	cmd/dist/sign-check.sh

# The program for Windows, run by wine. Needs Debian's wine, wine64 and binutils-mingw-w64-x86-64.
wine:
	cmd/dist/wine-check.sh

# What START-HERE says, from the archive for Linux to a first result. Needs curl.
linux-check:
	cmd/dist/linux-check.sh

clean:
	rm -rf build demo
