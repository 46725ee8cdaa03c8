package measure

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/anatomy/cavity"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
)

// A cavity that the case asks for has its name and margin, on its side; one that was found
// beyond no fixture is doubted.
func TestCavitiesAskedFor(t *testing.T) {
	margin := 1.0
	right := casefile.Structure{Name: "right sinus", Kind: casefile.Sinus, Find: casefile.FindSinus}
	left := casefile.Structure{Name: "left sinus", Kind: casefile.Sinus, Find: casefile.FindSinus, Margin: &margin}
	in := &Inputs{Plan: &casefile.Case{}, Written: &casefile.Case{}}
	in.Plan.Structures = []casefile.Structure{right, left}
	require.NoError(t, in.openStructures())
	assert.Empty(t, in.Plan.Structures, "each site is looked at by itself")
	assert.Equal(t, left, in.asCavity(cavity.Sinus, 25))
	assert.Equal(t, right, in.asCavity(cavity.Sinus, 15))
	assert.Equal(t, casefile.Structure{Name: "nasal floor (found)", Kind: casefile.OtherStructure}, in.asCavity(cavity.Nose, 11))

	flags := in.notFound(nil, []Structure{{Plan: left}})
	require.Len(t, flags, 1)
	assert.Equal(t, measurement.CodeCavityNotFound, flags[0].Code)
	assert.Equal(t, measurement.Doubt, flags[0].Level)
	assert.Contains(t, flags[0].Message, `"right sinus" was not found`)
}
