package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/plan/recipe"
	"example.org/meltstation/alerts/plan/units"
)

func planCommand() command {
	const args = "FILE [options]"
	return command{
		name: "plan", args: args,
		summary: "work out what to weigh from a recipe file",
		run: func(ctx context.Context, argv []string, std Streams) error {
			fs := flag.NewFlagSet("plan", flag.ContinueOnError)
			var (
				asJSON = fs.Bool("json", false, "print the sheet as JSON")
				scale  = fs.Float64("scale", 1, "make it this many times as large, `2` or 0.5")
				jug    = fs.String("jug", "", "the `name` of the jug to use")
				counts []plan.Count
				o      plan.Options
			)
			fs.Func("count", "how many of a container, `\"NAME=12\"`; give it once for each (without it: one of each)", func(s string) error {
				i := strings.LastIndexByte(s, '=')
				if i < 0 {
					return errors.New(`write it like "Tumbler=12"`)
				}
				n, err := strconv.Atoi(strings.TrimSpace(s[i+1:]))
				if err != nil || n < 0 {
					return fmt.Errorf("%q is not a count; write it like \"Tumbler=12\"", s[i+1:])
				}
				counts = append(counts, plan.Count{Container: strings.TrimSpace(s[:i]), N: n})
				return nil
			})
			fs.Func("wax", "start from this much wax, `\"2 lb\"`, instead of from the counts", func(s string) (err error) {
				o.Wax, err = units.ParseMass(s)
				return err
			})
			fs.Func("window", "how long the pour window stays open, `\"12 min\"`, as seen before", func(s string) (err error) {
				o.Window, err = units.ParseDuration(s)
				return err
			})
			files, err := parse(fs, "plan "+args, argv, std)
			if err != nil {
				return err
			}
			if len(files) != 1 {
				return fmt.Errorf("%w: give one recipe file, for example: meltstation plan harbour-fog.toml --count \"Tumbler=12\"", errUsage)
			}
			o.Jug = *jug
			r, err := readRecipe(files[0], std.In)
			if err != nil {
				return err
			}
			if len(counts) == 0 && o.Wax == 0 {
				for _, c := range r.Containers {
					counts = append(counts, plan.Count{Container: c.Name, N: 1})
				}
			}
			s, err := r.Sheet(counts, o)
			if err != nil {
				return err
			}
			if *scale != 1 {
				if s, err = s.Scale(*scale); err != nil {
					return err
				}
			}
			if *asJSON {
				enc := json.NewEncoder(std.Out)
				enc.SetIndent("", "  ")
				enc.SetEscapeHTML(false)
				return enc.Encode(s)
			}
			return s.Print(std.Out)
		},
	}
}

// readRecipe reads a recipe from a file, or from in when the name is "-".
func readRecipe(name string, in io.Reader) (plan.Recipe, error) {
	var data []byte
	var err error
	if name == "-" {
		name = "standard input"
		data, err = io.ReadAll(in)
	} else {
		data, err = os.ReadFile(name)
	}
	if err != nil {
		return plan.Recipe{}, fmt.Errorf("the recipe can't be read: %w", err)
	}
	return recipe.Parse(name, data)
}
