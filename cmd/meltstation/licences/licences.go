// Package licences holds the licences of everything that is built into the
// program, as their authors wrote them.
package licences

import (
	"embed"
	"fmt"
	"io"
	"io/fs"
	"path"
	"runtime/debug"
	"sort"
	"strings"
)

//go:embed texts
var texts embed.FS

// Part is one library or file that the program carries.
type Part struct {
	Name    string // module path, or what it is
	Version string
	Licence string // SPDX identifier
	Text    string
}

// file is the name under which a module's text is kept.
func file(module string) string {
	return path.Join("texts", strings.ReplaceAll(module, "/", "~")+".txt")
}

// Parts lists what is built in, by name. more are parts that are no Go modules.
// A module whose text is missing is an error: the program must not be handed on
// without it.
func Parts(modules []*debug.Module, more ...Part) ([]Part, error) {
	out := append([]Part(nil), more...)
	var missing []string
	for _, m := range modules {
		if m.Replace != nil {
			m = m.Replace
		}
		b, err := fs.ReadFile(texts, file(m.Path))
		if err != nil {
			missing = append(missing, m.Path)
			continue
		}
		out = append(out, Part{Name: m.Path, Version: m.Version, Licence: Identify(string(b)), Text: string(b)})
	}
	if len(missing) > 0 {
		return out, fmt.Errorf("no licence text is kept for %s; run the package's test with -update", strings.Join(missing, ", "))
	}
	sort.Slice(out, func(i, j int) bool { return out[i].Name < out[j].Name })
	return out, nil
}

// Identify names a licence by its text, as SPDX does; "unknown" if it can't.
func Identify(text string) string {
	t := strings.Join(strings.Fields(text), " ")
	has := func(s string) bool { return strings.Contains(t, s) }
	switch {
	case has("Apache License") && has("Version 2.0"):
		return "Apache-2.0"
	case has("Mozilla Public License") && has("2.0"):
		return "MPL-2.0"
	case has("Redistribution and use in source and binary forms") && (has("Neither the name") || has("The names of its contributors may not") || has("may be used to endorse")):
		return "BSD-3-Clause"
	case has("Redistribution and use in source and binary forms"):
		return "BSD-2-Clause"
	case has("Permission is hereby granted, free of charge, to any person obtaining a copy"):
		return "MIT"
	case has("Permission to use, copy, modify, and/or distribute this software for any purpose with or without fee"),
		has("Permission to use, copy, modify, and distribute this software for any purpose with or without fee"):
		return "ISC"
	}
	return "unknown"
}

// List writes one line a part, or with full every text.
func List(w io.Writer, parts []Part, full bool) error {
	for _, p := range parts {
		if _, err := fmt.Fprintf(w, "%-44s %-12s %s\n", p.Name, p.Licence, p.Version); err != nil {
			return err
		}
		if full {
			if _, err := fmt.Fprintf(w, "\n%s\n\n", strings.TrimSpace(p.Text)); err != nil {
				return err
			}
		}
	}
	return nil
}
