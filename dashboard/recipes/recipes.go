// Package recipes keeps the maker's recipes as files in a directory: the same
// files that the maker may write by hand, one recipe each.
package recipes

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/plan/recipe"
)

// Why a recipe is refused.
var (
	ErrNone   = errors.New("there is no such recipe")
	ErrKey    = errors.New("a recipe's key is 1 to 60 small letters, digits and dashes")
	ErrFormat = errors.New("the recipe can't be used") // wraps every [recipe.Error]
	ErrFull   = errors.New("there are too many recipes")
)

const (
	maxKey     = 60
	maxRecipes = 1000
)

// Saved is one recipe with the name of its file.
type Saved struct {
	Key    string // the file's name without its ending
	Recipe plan.Recipe
}

// Dir is a directory of recipe files. It is read at each call, so that an edited
// file counts at once. The zero value is not usable; see Open.
type Dir struct {
	path string
	mu   sync.Mutex // one writer
}

// Open returns the recipes in a directory, which is made if need be.
func Open(path string) (*Dir, error) {
	if err := os.MkdirAll(path, 0o700); err != nil {
		return nil, fmt.Errorf("making the recipe directory: %w", err)
	}
	return &Dir{path: path}, nil
}

// List returns every recipe that can be used, by name, and what is wrong with
// the others.
func (d *Dir) List() ([]Saved, error) {
	all, err := recipe.LoadDir(os.DirFS(d.path))
	list := make([]Saved, 0, len(all))
	for key, r := range all {
		list = append(list, Saved{key, r})
	}
	slices.SortFunc(list, func(a, b Saved) int {
		return cmp.Or(cmp.Compare(strings.ToLower(a.Recipe.Name), strings.ToLower(b.Recipe.Name)), cmp.Compare(a.Key, b.Key))
	})
	return list, err
}

// Get returns one recipe.
func (d *Dir) Get(key string) (plan.Recipe, error) {
	data, file, err := d.read(key)
	if err != nil {
		return plan.Recipe{}, err
	}
	r, err := recipe.Parse(file, data)
	if err != nil {
		return plan.Recipe{}, fmt.Errorf("%w: %w", ErrFormat, err)
	}
	return r, nil
}

func (d *Dir) read(key string) (data []byte, file string, err error) {
	if key == "" || key != filepath.Base(key) || strings.HasPrefix(key, ".") || strings.ContainsAny(key, `/\`+"\x00") {
		return nil, "", ErrNone
	}
	file = key + recipe.Ext
	data, err = os.ReadFile(filepath.Join(d.path, file))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, file, ErrNone
	}
	if err != nil {
		return nil, file, fmt.Errorf("reading a recipe: %w", err)
	}
	return data, file, nil
}

// Put writes a recipe; the comments at the head of an older file stay. The file
// is whole at every moment.
func (d *Dir) Put(key string, r plan.Recipe) error {
	if !okKey(key) {
		return ErrKey
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	old, file, err := d.read(key)
	isNew := errors.Is(err, ErrNone)
	if err != nil && !isNew {
		return err
	}
	if isNew {
		if have, err := filepath.Glob(filepath.Join(d.path, "*"+recipe.Ext)); err == nil && len(have) >= maxRecipes {
			return ErrFull
		}
	}
	list, _ := d.List()
	for _, s := range list {
		if s.Key != key && s.Recipe.Name == r.Name {
			return fmt.Errorf("%w: %w", ErrFormat, &recipe.Error{Field: "name", Text: fmt.Sprintf("%q is the name of another recipe; give each its own", r.Name)})
		}
	}
	data, err := recipe.Update(old, r)
	if err != nil {
		return fmt.Errorf("writing recipe %q: %w", r.Name, err)
	}
	// What is written must read back, or the recipe would be lost to the station.
	if _, err := recipe.Parse(file, data); err != nil {
		return fmt.Errorf("%w: %w", ErrFormat, err)
	}
	return replace(filepath.Join(d.path, file), data)
}

// Delete takes a recipe away. Batches made from it keep their sheet.
func (d *Dir) Delete(key string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	_, file, err := d.read(key)
	if err != nil {
		return err
	}
	if err := os.Remove(filepath.Join(d.path, file)); err != nil {
		return fmt.Errorf("removing a recipe: %w", err)
	}
	return nil
}

func okKey(key string) bool {
	if key == "" || len(key) > maxKey || key[0] == '-' {
		return false
	}
	return !strings.ContainsFunc(key, func(c rune) bool {
		return !('a' <= c && c <= 'z' || '0' <= c && c <= '9' || c == '-')
	})
}

// replace writes a file under another name, sees it to the disk, and renames it.
func replace(name string, data []byte) (err error) {
	f, err := os.CreateTemp(filepath.Dir(name), ".new-*")
	if err != nil {
		return fmt.Errorf("writing a recipe: %w", err)
	}
	defer func() {
		if err != nil {
			f.Close()
			os.Remove(f.Name())
			err = fmt.Errorf("writing a recipe: %w", err)
		}
	}()
	if _, err := f.Write(data); err != nil {
		return err
	}
	if err := f.Sync(); err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	return os.Rename(f.Name(), name)
}
