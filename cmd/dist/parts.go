package main

import (
	"bytes"
	"debug/buildinfo"
	"fmt"
	"os"

	"github.com/CycloneDX/cyclonedx-go"
)

// partsName is the list of what is linked into a program, in CycloneDX's JSON.
const partsName = "parts.cdx.json"

// listParts lists the modules of a program, as its linker noted them, with Go itself.
func listParts(program string, r release) ([]byte, error) {
	info, err := buildinfo.ReadFile(program)
	if err != nil {
		return nil, fmt.Errorf("the parts of %s cannot be listed: %w", program, err)
	}
	component := func(kind cyclonedx.ComponentType, path, version string) cyclonedx.Component {
		url := "pkg:golang/" + path + "@" + version // https://github.com/package-url/purl-spec
		return cyclonedx.Component{BOMRef: url, Type: kind, Name: path, Version: version, PackageURL: url}
	}
	main := component(cyclonedx.ComponentTypeApplication, info.Main.Path, r.version)
	parts := []cyclonedx.Component{component(cyclonedx.ComponentTypeLibrary, "std", info.GoVersion)}
	for _, m := range info.Deps {
		if m.Replace != nil {
			continue // by a folder of the program's own
		}
		parts = append(parts, component(cyclonedx.ComponentTypeLibrary, m.Path, m.Version))
	}
	needs := cyclonedx.Dependency{Ref: main.BOMRef}
	var names []string
	for _, p := range parts {
		names = append(names, p.BOMRef)
	}
	needs.Dependencies = &names
	bom := cyclonedx.NewBOM()
	bom.Metadata = &cyclonedx.Metadata{Timestamp: r.time.Format("2006-01-02T15:04:05Z"), Component: &main}
	bom.Components = &parts
	bom.Dependencies = &[]cyclonedx.Dependency{needs}
	var b bytes.Buffer
	err = cyclonedx.NewBOMEncoder(&b, cyclonedx.BOMFileFormatJSON).SetPretty(true).Encode(bom)
	return b.Bytes(), err
}

// writeParts lists the parts of a program beside it.
func writeParts(program, into string, r release) error {
	data, err := listParts(program, r)
	if err != nil {
		return err
	}
	return os.WriteFile(into, data, 0o644)
}
