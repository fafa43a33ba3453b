package mapping

import (
	"encoding/json"
	"fmt"

	"cel.dev/cel-go/cel"
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
func compile(env *cel.Env, source string, want ...*cel.Type) (*expression, error) {
	ast, issues := env.Compile(source)
	if issues != nil && issues.Err() != nil {
		e := issues.Errors()[0]
		return nil, &celError{e.Location.Line(), e.Location.Column() + 1, e.Message}
	}
	ok := ast.OutputType() == cel.DynType || ast.OutputType().String() == cel.DynType.String()
	for _, t := range want {
		ok = ok || ast.OutputType().IsExactType(t)
	}
	if !ok {
		return nil, &celError{1, 1, fmt.Sprintf("it gives %s, wanted %v", ast.OutputType(), want)}
	}
	p, err := env.Program(ast, cel.CostLimit(maxCost), cel.EvalOptions(cel.OptOptimize))
	if err != nil {
		return nil, &celError{1, 1, err.Error()}
	}
	return &expression{p}, nil
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
