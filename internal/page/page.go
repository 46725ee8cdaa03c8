// Package page shows a practice folder in the browser, on this computer alone: from the
// planning scan to the pack for a reviewer, station by station.
//
// It has no rule of its own about cases: case files, measurements and series are read and
// written by the packages that the command line uses. What a browser may send is checked
// here; who may send it, in package loopback; where it may lead, in package practice.
// Start with New.
//
// Conventions: an address says what is shown and never changes anything; changes are
// forms that are posted, and each is answered by a redirection to what is then shown.
// Every view can be read without scripts; scripts draw cuts and take in clicks.
package page

import (
	"embed"
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"log/slog"
	"net/http"
	"sync"
	"time"

	"plumbline/internal/page/loopback"
	"plumbline/internal/page/practice"
	"plumbline/internal/parallel"
	"plumbline/internal/printable"
	"plumbline/internal/report"
)

//go:embed assets views
var files embed.FS

// Page is one practice folder in the browser.
type Page struct {
	folder    *practice.Folder
	presence  *loopback.Presence
	now       func() time.Time
	version   string
	checkLine string
	log       *slog.Logger

	views map[string]*template.Template
	scans scans

	demo demo

	mu     sync.Mutex
	jobs   map[string]*job // measurements, by case
	series string          // the series file that was chosen among several
	turn   chan struct{}   // one measurement at a time

	reviewing sync.Mutex
	reviewed  *reviewed // the record of somebody else that was opened last
}

// Options says how a page is made.
type Options struct {
	Folder   *practice.Folder
	Presence *loopback.Presence
	Now      func() time.Time
	Version  string
	// CheckLine is the command line that checks a pack.
	CheckLine string
	// Demo makes the demo and gives the address of a page on it; nil where none is offered.
	Demo func() (address string, err error)
	// Log takes what went wrong inside; no name of a patient goes into it.
	Log *slog.Logger
}

// New makes the page of a practice folder.
func New(o Options) *Page {
	p := &Page{folder: o.Folder, presence: o.Presence, now: o.Now, version: o.Version, checkLine: o.CheckLine, log: o.Log,
		demo:  demo{make: o.Demo},
		views: map[string]*template.Template{}, jobs: map[string]*job{}, turn: make(chan struct{}, 1)}
	if err := o.Folder.TidyUp(o.Now()); err != nil {
		p.log.Error("what was left of an earlier run was not taken away", "why", err)
	}
	layout := template.Must(template.New("layout.html").Funcs(words).ParseFS(files, "views/layout.html", "views/parts.html"))
	names, err := fs.Glob(files, "views/*.html")
	if err != nil {
		panic(err) // the pattern is this one
	}
	for _, name := range names {
		p.views[name] = template.Must(template.Must(layout.Clone()).ParseFS(files, name))
	}
	return p
}

// Handler answers the requests that loopback lets through.
func (p *Page) Handler() http.Handler {
	m := http.NewServeMux()
	assets, err := fs.Sub(files, "assets")
	if err != nil {
		panic(err) // the folder is embedded
	}
	m.Handle("GET /assets/", http.StripPrefix("/assets/", http.FileServerFS(assets)))
	m.HandleFunc("GET /assets/report.css", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/css; charset=utf-8")
		fmt.Fprint(w, report.Style())
	})
	m.HandleFunc("POST /here", func(_ http.ResponseWriter, r *http.Request) { p.presence.Here(r.URL.Query().Get("page")) })
	m.HandleFunc("POST /left", func(_ http.ResponseWriter, r *http.Request) { p.presence.Left(r.URL.Query().Get("page")) })
	m.HandleFunc("GET /unscripted.svg", func(w http.ResponseWriter, _ *http.Request) {
		p.presence.Unscripted()
		w.Header().Set("Content-Type", "image/svg+xml")
		fmt.Fprint(w, `<svg xmlns="http://www.w3.org/2000/svg" width="1" height="1"/>`)
	})
	for pattern, f := range p.routes() {
		m.HandleFunc(pattern, p.answer(f))
	}
	return m
}

// routes are the addresses that are answered by a view or a change.
func (p *Page) routes() map[string]func(*request) error {
	return map[string]func(*request) error{
		"GET /{$}":                           p.cases,
		"POST /new":                          p.begin,
		"POST /end":                          p.end,
		"GET /words":                         p.words,
		"GET /demo":                          p.demoView,
		"POST /demo":                         p.makeDemo,
		"GET /series":                        p.seriesView,
		"POST /series/choose":                p.chooseSeries,
		"POST /series/remark":                p.remark,
		"GET /series/design":                 p.designView,
		"POST /series/design":                p.fixDesign,
		"POST /series/pack":                  p.pack,
		"POST /series/take":                  p.take,
		"GET /review":                        p.reviewView,
		"POST /review":                       p.takeForReview,
		"GET /review/{record}":               p.reviewedView,
		"GET /review/{record}/case/{number}": p.reviewedCase,
		"GET /review/{record}/clinician/{number}": p.reviewedClinician,
		"GET /review/{record}/remarks":            p.remarksFile,
		"POST /review/{record}/remark":            p.remarkOn,
		"GET /case/{case}":                        p.of(p.toStation),
		"GET /case/{case}/scan":                   p.of(p.scanView),
		"GET /case/{case}/plan":                   p.of(p.planView),
		"POST /case/{case}/about":                 p.about,
		"POST /case/{case}/tooth":                 p.addTooth,
		"POST /case/{case}/remove":                p.remove,
		"POST /case/{case}/mesh":                  p.mesh,
		"POST /case/{case}/table":                 p.table,
		"GET /case/{case}/place/{site}":           p.placeView,
		"POST /case/{case}/place/{site}":          p.place,
		"GET /case/{case}/draw":                   p.of(p.drawView),
		"POST /case/{case}/draw":                  p.draw,
		"GET /case/{case}/found":                  p.of(p.foundView),
		"POST /case/{case}/found":                 p.takeFound,
		"POST /case/{case}/confirm":               p.of(p.confirm),
		"GET /case/{case}/seal":                   p.of(p.sealView),
		"POST /case/{case}/seal":                  p.of(p.seal),
		"GET /case/{case}/follow-up":              p.of(p.followUpView),
		"POST /case/{case}/follow-up":             p.of(p.followUp),
		"POST /case/{case}/surface":               p.of(p.surface),
		"POST /case/{case}/leave-out":             p.of(p.leaveOut),
		"POST /case/{case}/measure":               p.of(p.measure),
		"POST /case/{case}/stop":                  p.stop,
		"GET /case/{case}/progress":               p.progress,
		"GET /case/{case}/result":                 p.of(p.resultView),
		"POST /case/{case}/enter":                 p.of(p.enter),
		"GET /case/{case}/report.pdf":             p.of(p.pdf),
		"GET /case/{case}/cut":                    p.cut,
		"GET /case/{case}/{other}":                func(*request) error { return errNotHere },
		"GET /{other}":                            func(*request) error { return errNotHere },
	}
}

// of answers about the case that an address names.
func (p *Page) of(f func(*request, *looked) error) func(*request) error {
	return func(r *request) error {
		c, err := p.look(r.PathValue("case"))
		if err != nil {
			return err
		}
		return f(r, c)
	}
}

// request is a request on its way to an answer.
type request struct {
	http.ResponseWriter
	*http.Request
}

func (r *request) to(address string) error {
	http.Redirect(r.ResponseWriter, r.Request, address, http.StatusSeeOther)
	return nil
}

// Errors of requests that lead nowhere.
var errNotHere = errors.New("there is no such page")

// badRequest is what a form may not hold; the message is for the person who sent it.
type badRequest struct{ message string }

func (e *badRequest) Error() string { return e.message }

func bad(format string, args ...any) error { return &badRequest{fmt.Sprintf(format, args...)} }

// answer turns errors and panics into a view that says what is wrong.
func (p *Page) answer(f func(*request) error) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		defer func() {
			v := recover()
			if v == nil {
				return
			}
			if v == http.ErrAbortHandler {
				panic(v)
			}
			if caught, ok := v.(*parallel.Panic); ok {
				p.log.Error("an error inside the program", "what", caught.Value, "where", string(caught.Stack))
			} else {
				p.log.Error("an error inside the program", "what", v)
			}
			p.fault(w, r, http.StatusInternalServerError, errors.New("an error inside the program; nothing was changed. What plumbline printed where it was started says where: please report it"))
		}()
		err := f(&request{w, r})
		var tooLarge *http.MaxBytesError
		switch {
		case err == nil:
		case errors.Is(err, errNotHere), errors.Is(err, practice.ErrNoCase):
			p.fault(w, r, http.StatusNotFound, err)
		case errors.As(err, &tooLarge):
			p.fault(w, r, http.StatusRequestEntityTooLarge, errors.New("that is more than a scan can have; choose the folder of the scan alone"))
		case errors.Is(err, practice.ErrChanged):
			if err := p.changed(&request{w, r}, err); err != nil {
				p.fault(w, r, http.StatusConflict, err)
			}
		case errors.Is(err, practice.ErrForeign), errors.Is(err, practice.ErrThere):
			p.fault(w, r, http.StatusConflict, err)
		default:
			p.fault(w, r, http.StatusUnprocessableEntity, err)
		}
	}
}

// faultView is what the view of an error shows.
type faultView struct {
	frame
	Message, Back string
}

func (p *Page) fault(w http.ResponseWriter, r *http.Request, status int, err error) {
	v := faultView{frame: frame{Title: "That did not work"}, Message: sentence(err), Back: "/"}
	if name := r.PathValue("case"); name != "" && !errors.Is(err, practice.ErrNoCase) {
		v.Back = caseAddress(name)
	}
	p.show(w, status, "fault", v)
}

// frame is what every view has around it.
type frame struct {
	Title    string
	Stations []station // of the case that is shown
	Case     string
	Seen     string // the plan as it is shown
}

// show writes a view.
func (p *Page) show(w http.ResponseWriter, status int, view string, data any) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	if err := p.views["views/"+view+".html"].ExecuteTemplate(w, "layout.html", data); err != nil {
		p.log.Error("a view was not written whole", "view", view, "why", err)
	}
}

// view shows a view of a case.
func (p *Page) view(r *request, view string, data any) error {
	p.show(r.ResponseWriter, http.StatusOK, view, data)
	return nil
}

// sentence is an error as a sentence.
func sentence(err error) string {
	var refused *fs.PathError
	if errors.As(err, &refused) && (refused.Op == "write" || refused.Op == "sync") {
		// The name of a file in the making helps nobody.
		return "The disk did not take it (" + refused.Err.Error() + "). Make room on it, or see that your folder can be written to, and do it again; what was there before is as it was."
	}
	s := []rune(printable.Plain(err.Error()))
	if len(s) == 0 {
		return ""
	}
	if s[0] >= 'a' && s[0] <= 'z' {
		s[0] += 'A' - 'a'
	}
	if last := s[len(s)-1]; last != '.' && last != '?' {
		s = append(s, '.')
	}
	return string(s)
}

// end ends the program by its button.
func (p *Page) end(r *request) error {
	p.show(r.ResponseWriter, http.StatusOK, "ended", frame{Title: "plumbline has ended"})
	p.presence.End()
	return nil
}
