package dashboard

import (
	"encoding/json"
	"errors"
	"net/http"
	"strings"
	"unicode"
	"unicode/utf8"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/plan/recipe"
	"example.org/meltstation/dashboard/recipes"
	"example.org/meltstation/probe/trace"
)

// Recipes is where recipes are kept. A [recipes.Dir] is one.
type Recipes interface {
	List() ([]recipes.Saved, error) // the error tells of files that can't be used
	Get(key string) (plan.Recipe, error)
	Put(key string, r plan.Recipe) error
	Delete(key string) error
}

// fieldFault is one thing wrong with a form.
type fieldFault struct {
	Field string `json:"field"`
	Text  string `json:"text"`
}

// recipeProblem turns an error of a recipe or a sheet into an answer.
func recipeProblem(err error) error {
	switch {
	case errors.Is(err, recipes.ErrNone):
		return problemNotFound.with("There is no recipe of that name.")
	case errors.Is(err, recipes.ErrKey), errors.Is(err, recipes.ErrFull):
		return problemInvalid.with(sentence(err.Error()))
	}
	var faults []fieldFault
	for _, e := range recipe.Errors(err) {
		faults = append(faults, fieldFault{e.Field, clip(e.Text, 500)})
	}
	var one plan.Problem
	if len(faults) == 0 && errors.As(err, &one) {
		faults = []fieldFault{{one.Field, clip(one.Rule+"; "+one.Mend, 500)}}
	}
	if len(faults) == 0 && !errors.Is(err, plan.ErrInvalid) && !errors.Is(err, recipes.ErrFormat) {
		return nil
	}
	p := problemInvalid.with(sentence(clip(err.Error(), 1000)))
	p.Fields = faults
	return p
}

func (s *Server) recipeError(r *http.Request, err error) error {
	if p := recipeProblem(err); p != nil {
		return p
	}
	return s.refused(r, err)
}

type recipeView struct {
	Key    string          `json:"key"`
	Name   string          `json:"name"`
	Recipe json.RawMessage `json:"recipe"`
	Plan   plan.Recipe     `json:"plan"`
}

func viewRecipe(key string, r plan.Recipe) (recipeView, error) {
	form, err := recipe.ToJSON(r)
	return recipeView{key, r.Name, form, r}, err
}

func (s *Server) listRecipes(w http.ResponseWriter, r *http.Request) error {
	if s.opts.Recipes == nil {
		return problemUnavailable.with("No recipes are kept.")
	}
	list, fault := s.opts.Recipes.List()
	answer := struct {
		Recipes []recipeView `json:"recipes"`
		Faults  []string     `json:"faults"`
	}{Recipes: []recipeView{}, Faults: []string{}}
	for _, one := range list {
		v, err := viewRecipe(one.Key, one.Recipe)
		if err != nil {
			return err
		}
		answer.Recipes = append(answer.Recipes, v)
	}
	for _, e := range recipe.Errors(fault) {
		answer.Faults = append(answer.Faults, e.Error())
	}
	if fault != nil && len(answer.Faults) == 0 {
		answer.Faults = append(answer.Faults, fault.Error())
	}
	return writeJSON(w, http.StatusOK, answer)
}

func (s *Server) getRecipe(w http.ResponseWriter, r *http.Request) error {
	if s.opts.Recipes == nil {
		return problemUnavailable.with("No recipes are kept.")
	}
	one, err := s.opts.Recipes.Get(r.PathValue("key"))
	if err != nil {
		return s.recipeError(r, err)
	}
	v, err := viewRecipe(r.PathValue("key"), one)
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, v)
}

func (s *Server) putRecipe(w http.ResponseWriter, r *http.Request) error {
	var form json.RawMessage
	if err := readJSON(w, r, maxBigBody, &form); err != nil {
		return err
	}
	if s.opts.Recipes == nil {
		return problemUnavailable.with("No recipes are kept.")
	}
	one, err := recipe.FromJSON(form)
	if err != nil {
		return s.recipeError(r, err)
	}
	if err := s.opts.Recipes.Put(r.PathValue("key"), one); err != nil {
		return s.recipeError(r, err)
	}
	return s.done(w, r, nil)
}

func (s *Server) deleteRecipe(w http.ResponseWriter, r *http.Request) error {
	if s.opts.Recipes == nil {
		return problemUnavailable.with("No recipes are kept.")
	}
	if err := s.opts.Recipes.Delete(r.PathValue("key")); err != nil {
		return s.recipeError(r, err)
	}
	return s.done(w, r, nil)
}

// sheet works out what to weigh.
func (s *Server) sheet(w http.ResponseWriter, r *http.Request) error {
	var req struct {
		Recipe  json.RawMessage `json:"recipe"`
		Counts  []plan.Count    `json:"counts"`
		Options plan.Options    `json:"options"`
		From    string          `json:"from"`  // an earlier batch to make again
		Scale   float64         `json:"scale"` // so many times as large; 0 = 1
		Melt    int             `json:"melt"`  // that melt of several alone; 0 = the whole
	}
	if err := readJSON(w, r, maxBigBody, &req); err != nil {
		return err
	}
	if len(req.Counts) > 200 {
		return problemInvalid.with("At most 200 kinds of container can be counted.")
	}
	work, err := s.maker(r, req.From, req.Recipe)
	if err != nil {
		return s.recipeError(r, err)
	}
	whole := func() (plan.Sheet, error) {
		sheet, err := work(req.Counts, req.Options)
		if err == nil && req.Scale != 0 && req.Scale != 1 {
			sheet, err = sheet.Scale(req.Scale)
		}
		return sheet, err
	}
	sheet, err := whole()
	if err == nil && req.Options.Window == 0 && req.Options.Cooling == nil && s.opts.Cooling != nil {
		// The sheet says which jug and how much; the jug's past says how long it stays warm.
		if req.Options.Cooling = s.opts.Cooling(sheet.Jug, sheet.Melts[0].TotalGrams); req.Options.Cooling != nil {
			sheet, err = whole()
		}
	}
	if err == nil && req.Melt != 0 {
		sheet, err = sheet.OfMelt(req.Melt)
	}
	if err != nil {
		return s.recipeError(r, err)
	}
	text, err := sheetText(sheet)
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, map[string]any{"sheet": sheet, "text": text})
}

// maker returns what works a sheet out: from an earlier batch, from a saved
// recipe, or from one that comes with the request.
func (s *Server) maker(r *http.Request, from string, form json.RawMessage) (func([]plan.Count, plan.Options) (plan.Sheet, error), error) {
	if from != "" {
		if s.book == nil {
			return nil, problemUnavailable.with("No trace is kept.")
		}
		was, err := s.book.Sheet(r.Context(), from)
		switch {
		case errors.Is(err, trace.ErrNoBatch):
			return nil, problemNotFound.with("There is no batch of that code.")
		case err != nil:
			return nil, err
		case was.Source == nil:
			return nil, problemInvalid.with("That batch was started without a recipe, so it can't be made again; start from a recipe.")
		}
		return func(counts []plan.Count, o plan.Options) (plan.Sheet, error) { return was.Again(from, counts, o) }, nil
	}
	var key string
	if json.Unmarshal(form, &key) != nil {
		one, err := recipe.FromJSON(form)
		return one.Sheet, err
	}
	if s.opts.Recipes == nil {
		return nil, problemUnavailable.with("No recipes are kept.")
	}
	one, err := s.opts.Recipes.Get(key)
	return one.Sheet, err
}

// sentence makes an error text a sentence.
func sentence(s string) string {
	first, n := utf8.DecodeRuneInString(s)
	s = string(unicode.ToUpper(first)) + s[n:]
	if !strings.HasSuffix(s, ".") {
		s += "."
	}
	return s
}
