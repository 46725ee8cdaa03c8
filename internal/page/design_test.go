package page

import (
	"net/http"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/page/practice"
	"plumbline/internal/series"
	"plumbline/internal/series/analysis"
)

// What the cases are to show is fixed before the first of them, once.
func TestADesignIsFixedBeforehand(t *testing.T) {
	v := begun(t)
	v.on(2, time.March)
	_, body := v.get("/series")
	assert.Contains(t, body, `href="/series/design"`, "there need not be a series yet")
	status, body := v.get("/series/design")
	require.Equal(t, http.StatusOK, status)
	assert.NotContains(t, body, "Fixed for")

	usual := []string{"clinician", "clinician-a", "cases", "50", "entry", "2", "apex", "1,5", "angle", "8", "acceptable", "10", "unacceptable", "20", "errors", "5"}
	with := func(key, value string) []string {
		out := append([]string{}, usual...)
		for i := range out {
			if out[i] == key {
				out[i+1] = value
			}
		}
		return out
	}
	for _, x := range [][]string{
		{"clinician", "Dr. Jane Doe", "write a pseudonym"},
		{"cases", "many", "write a whole number"},
		{"cases", "501", "expected 1 to 500"},
		{"cases", "5", "look at more cases"},
		{"apex", "-1", "write a number of millimetres"},
		{"angle", "", "write a number of degrees"},
		{"acceptable", "20", "has to be smaller"},
		{"errors", "60", "at most 0.5"},
	} {
		status, body := v.post("/series/design", with(x[0], x[1])...)
		assert.Equal(t, http.StatusUnprocessableEntity, status, x)
		assert.Contains(t, body, x[2], x)
	}
	assert.NoFileExists(t, filepath.Join(v.folder, practice.SeriesFile), "nothing was fixed")

	body = v.done("/series/design", usual...)
	assert.Contains(t, body, "Fixed for clinician clinician-a")
	assert.Contains(t, body, "at most 2 mm at the entry, 1.5 mm at the apex and 8°, in the next 50 cases. So far 0 of 50 cases count.")
	assert.Contains(t, body, "shown after 25 cases without a miss at the earliest", "as series design says it")
	f, err := series.Read(filepath.Join(v.folder, practice.SeriesFile))
	require.NoError(t, err)
	require.NoError(t, f.Sound())
	want := analysis.UsualDesign()
	want.Clinician, want.Limits.Apex = "clinician-a", 1.5
	require.Len(t, f.Records, 1)
	assert.Equal(t, &want, f.Records[0].Design)

	status, body = v.post("/series/design", usual...)
	assert.Equal(t, http.StatusUnprocessableEntity, status)
	assert.Contains(t, body, "a second one at the same time would be a second chance")
	assert.NotContains(t, body, v.folder)
}
