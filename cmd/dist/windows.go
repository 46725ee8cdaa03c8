package main

import (
	"bytes"
	_ "embed"
	"image"
	"os"

	"github.com/tc-hib/winres"
	"github.com/tc-hib/winres/version"
)

// manifest asks Windows for long paths, UTF-8 and sharp text on every screen, and for no
// rights beyond the user's.
//
//go:embed plumbline.manifest
var manifest []byte

// iconSizes are those that Windows shows, pixels.
var iconSizes = []int{16, 20, 24, 32, 40, 48, 64, 128, 256}

// resources are what Windows reads from a program without running it: icon, version and
// manifest.
func resources(r release) (*winres.ResourceSet, error) {
	var rs winres.ResourceSet
	var sizes []image.Image
	for _, n := range iconSizes {
		sizes = append(sizes, drawn(n))
	}
	icon, err := winres.NewIconFromImages(sizes)
	if err != nil {
		return nil, err
	}
	if err := rs.SetIcon(winres.ID(1), icon); err != nil {
		return nil, err
	}
	if err := rs.Set(winres.RT_MANIFEST, winres.ID(1), winres.LCIDDefault, manifest); err != nil {
		return nil, err
	}
	var info version.Info
	info.FileVersion, info.ProductVersion = r.numbers(), r.numbers()
	for _, s := range [][2]string{
		{version.ProductName, "plumbline"}, {version.FileDescription, "plumbline"}, {version.OriginalFilename, "plumbline.exe"},
		{version.ProductVersion, r.version}, {version.FileVersion, r.number()},
		{version.Comments, "An audit aid for people who are licensed to place fixtures; no device for diagnosis or treatment."},
	} {
		if err := info.Set(version.LangDefault, s[0], s[1]); err != nil {
			return nil, err
		}
	}
	rs.SetVersionInfo(info)
	return &rs, nil
}

// addResources writes the resources into a program.
func addResources(path string, r release) error {
	rs, err := resources(r)
	if err != nil {
		return err
	}
	program, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	var with bytes.Buffer
	if err := rs.WriteToEXE(&with, bytes.NewReader(program), winres.ForceCheckSum()); err != nil {
		return err
	}
	return os.WriteFile(path, with.Bytes(), 0o755)
}
