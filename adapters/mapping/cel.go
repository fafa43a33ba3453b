package mapping

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/ast"
	"cel.dev/cel-go/common/operators"
	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/common/types/ref"
)

// maxCost bounds the work of one expression on one row, in the units of CEL's
// own cost model: some thousands of steps.
const maxCost = 10_000

// An expression is a compiled CEL expression over row, doc, item, name and
// titles.
type expression struct {
	program cel.Program
	reads   []string // the places it reads, as values name them, in its order
	any     bool     // it reads more than these: a column whose name it works out
}

// celEnv makes the environment of expressions when the first one is compiled:
// most mappings have none.
func celEnv(csv bool) (*cel.Env, error) {
	row := cel.DynType
	if csv {
		row = cel.MapType(cel.StringType, cel.StringType)
	}
	return cel.NewEnv(
		cel.Variable("row", row), cel.Variable("doc", cel.DynType), cel.Variable("item", cel.DynType),
		cel.Variable("name", cel.MapType(cel.StringType, cel.StringType)), cel.Variable("titles", cel.ListType(cel.StringType)),
		cel.ParserExpressionSizeLimit(4000), cel.ParserRecursionLimit(50),
	)
}

// A celError is a mistake in an expression with its place in it, from 1.
type celError struct {
	line, col int
	message   string
}

func (e *celError) Error() string { return e.message }

// compile reads an expression whose result must be of one of the types.
func compile(env *cel.Env, csv bool, source string, want ...*cel.Type) (*expression, error) {
	checked, issues := env.Compile(source)
	if issues != nil && issues.Err() != nil {
		e := issues.Errors()[0]
		return nil, &celError{e.Location.Line(), e.Location.Column() + 1, e.Message}
	}
	ok := checked.OutputType() == cel.DynType || checked.OutputType().String() == cel.DynType.String()
	for _, t := range want {
		ok = ok || checked.OutputType().IsExactType(t)
	}
	if !ok {
		return nil, &celError{1, 1, fmt.Sprintf("it gives %s, wanted %v", checked.OutputType(), want)}
	}
	p, err := env.Program(checked, cel.CostLimit(maxCost), cel.EvalOptions(cel.OptOptimize))
	if err != nil {
		return nil, &celError{1, 1, err.Error()}
	}
	x := &expression{program: p}
	x.find(checked.NativeRep().Expr(), csv)
	return x, nil
}

// roots are the variables that values have short forms for.
var roots = map[string]string{"row": "$", "doc": "^", "item": "", "titles": "title ", "name": ""}

// find notes the places that an expression reads: row["A"] and row.A are the
// column A, in json the path $.A.
func (x *expression) find(e ast.Expr, csv bool) {
	v := finder{x: x, csv: csv, inner: map[int64]bool{}}
	ast.PreOrderVisit(e, ast.NewExprVisitor(v.visit))
}

// A finder walks an expression from the outside; inner are the parts of paths
// that were noted whole.
type finder struct {
	x     *expression
	csv   bool
	inner map[int64]bool
}

func (f *finder) visit(e ast.Expr) {
	if f.inner[e.ID()] {
		return
	}
	root, steps, whole := f.path(e)
	switch {
	case root == "":
	case root == "row" && len(steps) == 0:
		f.x.any = true
	default:
		f.note(root, steps)
		f.x.any = f.x.any || !whole && root == "row"
	}
}

// path takes row["a"].b[0] apart: its variable, "" if it begins with none, and
// the steps that are written out; whole tells that all are.
func (f *finder) path(e ast.Expr) (root string, steps []any, whole bool) {
	var inner ast.Expr
	var step any
	switch e.Kind() {
	case ast.IdentKind:
		if _, ok := roots[e.AsIdent()]; ok {
			return e.AsIdent(), nil, true
		}
		return "", nil, false
	case ast.SelectKind:
		inner, step = e.AsSelect().Operand(), e.AsSelect().FieldName()
	case ast.CallKind:
		c := e.AsCall()
		switch {
		case c.FunctionName() == operators.Index && len(c.Args()) == 2:
			inner, step = c.Args()[0], literal(c.Args()[1])
		case c.FunctionName() == operators.In && len(c.Args()) == 2: // "A" in row
			inner, step = c.Args()[1], literal(c.Args()[0])
		default:
			return "", nil, false
		}
	default:
		return "", nil, false
	}
	root, steps, whole = f.path(inner)
	if root == "" {
		return "", nil, false
	}
	f.inner[inner.ID()] = true
	if step == nil || !whole {
		return root, steps, false
	}
	return root, append(steps, step), true
}

func literal(e ast.Expr) any {
	if e.Kind() == ast.LiteralKind {
		switch v := e.AsLiteral().(type) {
		case types.String:
			return string(v)
		case types.Int:
			return int(v)
		}
	}
	return nil
}

// note adds a place, named as a value names it.
func (f *finder) note(root string, steps []any) {
	text := roots[root]
	for _, s := range steps {
		switch s := s.(type) {
		case string:
			switch {
			case f.csv:
				text = s
			case plainName.MatchString(s):
				text += "." + s
			default:
				text += "['" + s + "']"
			}
		case int:
			if root == "titles" {
				text += strconv.Itoa(s + 1)
			} else {
				text += "[" + strconv.Itoa(s) + "]"
			}
		}
	}
	if root == "item" && text == "" {
		text = "."
	}
	if root != "name" && len(steps)+len(text) > 0 && !slices.Contains(f.x.reads, text) {
		f.x.reads = append(f.x.reads, text)
	}
}

// text works the expression out as a text, a number, a truth or nothing.
func (x *expression) text(vars map[string]any) (string, error) {
	v, _, err := x.program.Eval(vars)
	if err != nil {
		return "", err
	}
	switch v.Type() {
	case types.NullType:
		return "", nil
	case types.StringType, types.IntType, types.UintType, types.BoolType, types.DoubleType:
		s, ok := v.ConvertToType(types.StringType).(types.String)
		if ok {
			return string(s), nil
		}
	}
	return "", fmt.Errorf("it gives %s, wanted a text, a number or a truth", typeName(v))
}

// column names what the expression reads in a reason.
func (x *expression) column() string {
	if len(x.reads) == 0 {
		return "cel"
	}
	return listed(x.reads)
}

// truth works the expression out as a condition.
func (x *expression) truth(vars map[string]any) (bool, error) {
	v, _, err := x.program.Eval(vars)
	if err != nil {
		return false, err
	}
	b, ok := v.(types.Bool)
	if !ok {
		return false, fmt.Errorf("it gives %s, wanted a truth", typeName(v))
	}
	return bool(b), nil
}

func typeName(v ref.Val) string { return v.Type().TypeName() }

// celValue turns a JSON value into what expressions work with: numbers stay
// exact texts only where they are no int64 and no float64.
func celValue(v any) any {
	switch x := v.(type) {
	case json.Number:
		if i, err := x.Int64(); err == nil {
			return i
		}
		if f, err := x.Float64(); err == nil {
			return f
		}
		return string(x)
	case []any:
		out := make([]any, len(x))
		for i, e := range x {
			out[i] = celValue(e)
		}
		return out
	case map[string]any:
		out := make(map[string]any, len(x))
		for k, e := range x {
			out[k] = celValue(e)
		}
		return out
	}
	return v
}
