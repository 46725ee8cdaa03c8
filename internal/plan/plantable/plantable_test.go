package plantable

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"unicode/utf16"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"plumbline/internal/geom"
	_ "plumbline/internal/seeded" // of rapid
	"plumbline/internal/tooth"
)

// one is the fixture that most of the tables below have.
var one = Fixture{Label: "36", Entry: geom.Vec{X: -24.1, Y: 11.32, Z: 8.05}, Apex: geom.Vec{X: -24.62, Y: 12.01, Z: -1.91}, Diameter: 4.1, Length: 10, Decimals: 2}

func TestTables(t *testing.T) {
	bare := one
	bare.Diameter, bare.Length = 0, 0
	utf16Text := []byte{0xff, 0xfe}
	for _, w := range utf16.Encode([]rune("Tooth\tEntry X\tEntry Y\tEntry Z\tApex X\tApex Y\tApex Z\r\n36\t−24,10\t11,32\t8,05\t-24,62\t12,01\t-1,91\r\n")) {
		utf16Text = binary.LittleEndian.AppendUint16(utf16Text, w)
	}
	for name, c := range map[string]struct {
		text string
		want Fixture
		line int
	}{
		"commas":             {"site,entry x,entry y,entry z,apex x,apex y,apex z,diameter,length\n36,-24.10,11.32,8.05,-24.62,12.01,-1.91,4.1,10\n", one, 2},
		"decimal commas":     {"\ufeffTooth (FDI);Entry X [mm];Entry Y [mm];Entry Z [mm];Apex X [mm];Apex Y [mm];Apex Z [mm];Ø [mm];Length [mm]\r\n36;-24,10;11,32;8,05;-24,62;12,01;-1,91;4,1;10,0\r\n", one, 2},
		"quoted commas":      {`"Site","Entry X","Entry Y","Entry Z","Apex X","Apex Y","Apex Z"` + "\n" + `"36","-24,10","11,32","8,05","-24,62","12,01","-1,91"`, bare, 2},
		"tabs, UTF-16":       {string(utf16Text), bare, 2},
		"other words":        {"Implant;Platform x;Platform y;Platform z;Tip x;Tip y;Tip z;Diam. (mm)\n36;-24.10;11.32;8.05;-24.62;12.01;-1.91;4.1 mm", func() Fixture { f := bare; f.Diameter = 4.1; return f }(), 2},
		"run together":       {"site;EntryX;EntryY;EntryZ;ApexX;ApexY;ApexZ\n36;-24.10;11.32;8.05;-24.62;12.01;-1.91", bare, 2},
		"centimetres":        {"site;entry x [cm];entry y [cm];entry z [cm];apex x [cm];apex y [cm];apex z [cm]\n36;-2,410;1,132;0,805;-2,462;1,201;-0,191", bare, 2},
		"whole points":       {"site;entry;apex\n36;(-24.10, 11.32, 8.05);-24.62 / 12.01 / -1.91\n", bare, 2},
		"named coordinates":  {"site\tentry\tapex\n36\tx = -24,10; y = 11,32; z = 8,05\t-24,62 12,01 -1,91\n", bare, 2},
		"titles above":       {"Plan of 14 March\n\n;;\nsite;entry x;entry y;entry z;apex x;apex y;apex z\n36;-24.10;11.32;8.05;-24.62;12.01;-1.91\nsum;;;;;;\n", bare, 5},
		"a row a point":      {"tooth,point,x,y,z\n36,Entry point,-24.10,11.32,8.05\n,Apex,-24.62,12.01,-1.91\n", bare, 2},
		"a column a fixture": {"Tooth;36\nEntry X;-24,10\nEntry Y;11,32\nEntry Z;8,05\nApex X;-24,62\nApex Y;12,01\nApex Z;-1,91\nLength;10\nDiameter;4,1\n", one, 1},
		"grouped":            {"Tooth;Entry;;;Apex;;\n;x;y;z;x;y;z\n36;-24,10;11,32;8,05;-24,62;12,01;-1,91\n", func() Fixture { f := bare; f.Label = ""; return f }(), 3},
	} {
		t.Run(name, func(t *testing.T) {
			table, err := Read("plan.csv", []byte(c.text))
			require.NoError(t, err)
			require.Len(t, table.Fixtures, 1)
			c.want.Line = c.line
			require.Equal(t, c.want, table.Fixtures[0])
			require.Equal(t, "", table.Axes)
		})
	}
}

func TestSeveralFixtures(t *testing.T) {
	text := "Universal no.;Point;X;Y;Z;Length (mm)\n19;apex;1;2;-9;10\n19;entry;1;2;1;10\n#18;entry;5;6;1;8\n18;apex;5;6;-7;8\n"
	table, err := Read("plan.csv", []byte(text))
	require.ErrorContains(t, err, "no apex point", "18 and #18 are not one label")
	require.Nil(t, table)
	table, err = Read("plan.csv", []byte(strings.Replace(text, "#18", "18", 1)))
	require.NoError(t, err)
	require.Equal(t, tooth.Universal, table.Numbering)
	require.Equal(t, []Fixture{
		{Line: 2, Label: "19", Entry: geom.Vec{X: 1, Y: 2, Z: 1}, Apex: geom.Vec{X: 1, Y: 2, Z: -9}, Length: 10},
		{Line: 4, Label: "18", Entry: geom.Vec{X: 5, Y: 6, Z: 1}, Apex: geom.Vec{X: 5, Y: 6, Z: -7}, Length: 8},
	}, table.Fixtures)
}

func TestAxesAndSkippedColumns(t *testing.T) {
	table, err := Read("plan.csv", []byte("Patient;site;entry R;entry A;entry S;apex R;apex A;apex S\nA Name;36;1;2;3;1;2;-7\n"))
	require.NoError(t, err)
	require.Equal(t, "ras", table.Axes)
	require.Equal(t, []string{"Patient"}, table.Skipped)
	require.Equal(t, geom.Vec{X: 1, Y: 2, Z: -7}, table.Fixtures[0].Apex)
	table, err = Read("plan.csv", []byte("site;entry L;entry P;entry S;apex L;apex P;apex S\n36;1;2;3;1;2;-7\n"))
	require.NoError(t, err)
	require.Equal(t, "lps", table.Axes)
}

func TestNumbering(t *testing.T) {
	for _, c := range []struct {
		head   string
		labels []string
		down   bool // the apex lies below
		want   tooth.System
	}{
		{"site", []string{"36"}, true, tooth.ISO3950},
		{"site", []string{"3"}, false, tooth.Universal},
		{"site", []string{"19"}, true, tooth.Universal},
		{"site", []string{"21"}, true, tooth.Universal},
		{"site", []string{"21"}, false, tooth.ISO3950},
		{"site", []string{"12"}, false, ""}, // both in the upper jaw
		{"site", []string{"12", "19"}, false, tooth.Universal},
		{"tooth (FDI)", []string{"12"}, false, tooth.ISO3950},
		{"Universal number", []string{"12"}, false, tooth.Universal},
		{"site", []string{""}, false, ""},
		{"site", []string{"Tooth #19"}, true, tooth.Universal},
	} {
		text := c.head + ";entry x;entry y;entry z;apex x;apex y;apex z\n"
		z := 10
		if c.down {
			z = -10
		}
		for i, l := range c.labels {
			text += fmt.Sprintf("%s;%d;0;0;0;0;%d\n", l, i*9, z)
		}
		table, err := Read("plan.csv", []byte(text))
		require.NoError(t, err)
		require.Equal(t, c.want, table.Numbering, "%s %v", c.head, c.labels)
	}
	require.Equal(t, "19", Plain(" Tooth #19 "))
	require.Equal(t, "7", Plain("07"))
	require.Equal(t, "36", Plain("36.0"))
}

func TestFaults(t *testing.T) {
	const head = "site;entry x;entry y;entry z;apex x;apex y;apex z\n"
	for _, c := range []struct {
		text string
		line int
		say  string
	}{
		{"", 0, "no headings were found"},
		{"1;2;3\n4;5;6\n", 0, "no headings were found"},
		{"\x00\x01", 0, "no text"},
		{head, 0, "no fixture below"},
		{head + "36;1;2;3;4;5\n", 2, "apex z: the field is empty"},
		{head + "36;1;2;abc;4;5;6\n", 2, `entry z: "abc" is no number`},
		{head + "36;1;2;0x1p4;4;5;6\n", 2, "is no number"},
		{head + "36;1;2;NaN;4;5;6\n", 2, "is no number"},
		{head + "36;1;2;99999;4;5;6\n", 2, "outside any scanner"},
		{head + "36;1;2;3;4;5;6;7\n", 2, "more fields than there are headings"},
		{"site;entry x;entry y;apex x;apex y;apex z\n36;1;2;4;5;6\n", 1, "no column for entry z"},
		{"site,entry x,entry y,entry z,apex x,apex y,apex z\n36,1,1,2,2,3,3,4,4,5,5,6,6\n", 2, "semicolons between the columns"},
		{"site;entry x [inch];entry y;entry z;apex x;apex y;apex z\n36;1;2;3;4;5;6\n", 1, `unit "inch"`},
		{"site;entry;apex\n36;1;2\n", 2, "no point of three numbers"},
		{"point;x;y\nentry;1;2\n", 1, "no column for z"},
		{head + "36;1 2;2;3;4;5;6\n", 2, `entry x: "1 2" may be the one number 12 or the numbers 1 and 2; write one number, without spaces, in a field`},
		{head + "36;1;2;3;4;5;6\n46;1;-1,234;3;4;5;6\n", 3, `entry y: "-1,234" may be -1.234 or -1234; write it with a decimal point and without marks between thousands`},
		{head + "36;1,5;2;3;4;5;1.234\n", 2, `apex z: "1.234" may be 1.234 or 1234`},
		{head + "36;1,23.4;2;3;4;5;6\n", 2, "is no number"},
		{head + "36;1'23;2;3;4;5;6\n", 2, "is no number"},
		{"tooth;entry x;entry x;entry y;entry z;apex x;apex y;apex z\n36;1;1;2;3;4;5;6\n46;1;9;2;3;4;5;6\n", 3,
			`columns 2 ("entry x") and 3 ("entry x") both give the entry x, here "1" and "9"; leave one of them, or head the other with what it is`},
		{"tooth;position;entry;apex\n36;46;1/2/3;4/5/6\n", 2, `both give the tooth, here "36" and "46"`},
		{"point;x;y;z;length\nentry;1;2;3;8\napex;1;2;-5;9\n", 3, "the fixture's length is 9 mm here and 8 mm in its other row"},
		{"point;x;y;z;z\nentry;1;2;3;4\napex;1;2;3;3\n", 2, "both give the coordinate z"},
		{"entry;apex;Ø;diameter\n1/2/3;4/5/6;4.1;3.5\n", 2, "both give the diameter"},
		{"entry;platform;apex;length;len\n1/2/3;1/2/4;4/5/6;8;8\n", 2, "both give the entry point"},
		{"entry;apex;length;len\n1/2/3;4/5/6;8;9\n", 2, "both give the length"},
		{head + strings.Repeat("36;1;2;3;4;5;6\n", 40), 34, "more than 32 fixtures"},
		{strings.Repeat("x", MaxFile+1), 0, "larger than"},
	} {
		table, err := Read("plan.csv", []byte(c.text))
		require.ErrorContains(t, err, c.say)
		require.Nil(t, table)
		var fault *Error
		require.True(t, errors.As(err, &fault))
		require.Equal(t, c.line, fault.Line, "%v", err)
	}
}

// Numbers that could be read in two ways by themselves are read as the others of
// the table are, and columns that say the same twice may.
func TestNumbersThatOthersExplain(t *testing.T) {
	const head = "no.;tooth;entry x;entry y;entry z;apex x;apex y;apex z\n"
	for text, want := range map[string][2]geom.Vec{
		head + "1;36;1,234;2,5;3,000;4,000;5,000;6,000\n":     {{X: 1.234, Y: 2.5, Z: 3}, {X: 4, Y: 5, Z: 6}},
		head + "1;36;1,234;0,512;3,000;4,000;5,000;6,000\n":   {{X: 1.234, Y: 0.512, Z: 3}, {X: 4, Y: 5, Z: 6}},
		head + "1;36;1,234;120,512;3,000;4,000;5,000;6,000\n": {{X: 1.234, Y: 120.512, Z: 3}, {X: 4, Y: 5, Z: 6}},
		head + "1;36;1,234;2.5;3;4;5;6\n":                     {{X: 1234, Y: 2.5, Z: 3}, {X: 4, Y: 5, Z: 6}},
		head + "1;36;1,234.5;-1'234,25;1.234,5;4;5;6\n":       {{X: 1234.5, Y: -1234.25, Z: 1234.5}, {X: 4, Y: 5, Z: 6}},
		head + "1;36;1.234;- 2.345 mm;3\u202f456,5;4,5;5;6\n": {},
		head + "1;36;1.234;- 2.345 mm;+3.456;4;5;6\n":         {{X: 1.234, Y: -2.345, Z: 3.456}, {X: 4, Y: 5, Z: 6}},
		"entry;platform;apex\n1/2/3;1/2/3;4/5/6\n":            {{X: 1, Y: 2, Z: 3}, {X: 4, Y: 5, Z: 6}},
		"entry;apex\n1,234 2,5 3,000;4,000 5,000 6,000\n":     {{X: 1.234, Y: 2.5, Z: 3}, {X: 4, Y: 5, Z: 6}},
		"site;entry;apex\n36;1;2 3\n":                         {},
	} {
		table, err := Read("plan.csv", []byte(text))
		if want == ([2]geom.Vec{}) {
			require.Error(t, err, text)
			continue
		}
		require.NoError(t, err, text)
		require.Equal(t, want, [2]geom.Vec{table.Fixtures[0].Entry, table.Fixtures[0].Apex}, text)
	}
}

// Whatever numbers are written, however their decimals are written, are read.
func TestNumbersComeBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var x [6]float64
		fields := []string{"36"}
		comma := rapid.Bool().Draw(t, "comma")
		decimals := rapid.IntRange(0, 5).Draw(t, "decimals")
		for i := range x {
			scale := math.Pow10(decimals)
			x[i] = math.Round(rapid.Float64Range(-500, 500).Draw(t, "x")*scale) / scale
			s := fmt.Sprintf("%.*f", decimals, x[i])
			if comma {
				s = strings.ReplaceAll(s, ".", ",")
			}
			fields = append(fields, s)
		}
		between := rapid.SampledFrom([]string{";", "\t", "|"}).Draw(t, "between")
		text := strings.Join([]string{"site", "entry x", "entry y", "entry z", "apex x", "apex y", "apex z"}, between) + "\n" + strings.Join(fields, between)
		table, err := Read("plan.csv", []byte(text))
		require.NoError(t, err)
		f := table.Fixtures[0]
		require.Equal(t, decimals, f.Decimals)
		got := [6]float64{f.Entry.X, f.Entry.Y, f.Entry.Z, f.Apex.X, f.Apex.Y, f.Apex.Z}
		for i := range x {
			require.InDelta(t, x[i], got[i], 1e-9)
		}
	})
}

func FuzzRead(f *testing.F) {
	f.Add([]byte("site,entry x,entry y,entry z,apex x,apex y,apex z\n36,-24.10,11.32,8.05,-24.62,12.01,-1.91\n"))
	f.Add([]byte("\ufeffTooth;Entry X [mm];Entry Y [mm];Entry Z [mm];Apex X [mm];Apex Y [mm];Apex Z [mm]\r\n36;-24,10;11,32;8,05;-24,62;12,01;-1,91\r\n"))
	f.Add([]byte("tooth,point,x,y,z\n36,Entry point,-24.10,11.32,8.05\n,Apex,-24.62,12.01,-1.91\n"))
	f.Add([]byte("site;entry;apex\n36;(1, 2, 3);\"4 5 6\"\n"))
	f.Add([]byte("\xff\xfes\x00;\x00"))
	f.Fuzz(func(t *testing.T, data []byte) {
		table, err := Read("plan.csv", data)
		if err != nil {
			require.Nil(t, table)
			var fault *Error
			require.True(t, errors.As(err, &fault))
			return
		}
		require.NotEmpty(t, table.Fixtures)
		for _, x := range table.Fixtures {
			require.True(t, geom.Finite(x.Entry) && geom.Finite(x.Apex))
		}
	})
}
