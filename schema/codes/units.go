package codes

import (
	"math/big"

	"dewclaw/events"
)

// A Unit is an entry of the list units: UCUM codes, case-sensitive.
type Unit struct {
	Entry
	Neutral string         // the neutral unit of its dimension
	Factor  events.Decimal // one of it is so many of the neutral unit, exactly
	Rec20   string         // its code in UN/CEFACT Recommendation 20
}

// unitRow is a unit as its file has it.
type unitRow struct {
	Entry   `yaml:",inline"`
	Neutral string `yaml:"neutral"`
	Factor  string `yaml:"factor"`
	Rec20   string `yaml:"rec20"`
}

var units = converted("units", func(r *unitRow) Unit {
	return Unit{Entry: r.Entry, Neutral: r.Neutral, Factor: number(r.Factor), Rec20: r.Rec20}
})

// Units returns the list of units a mapping may declare.
func Units() *Table[Unit] { return units() }

// Neutralize converts d exactly into the neutral unit. The problem is nil
// unless the result has more digits than can be kept.
func (u *Unit) Neutralize(d events.Decimal) (events.Decimal, *Problem) {
	if u.Code == u.Neutral {
		return d, nil
	}
	v, err := d.Mul(u.Factor)
	if err != nil {
		return v, &Problem{Wanted: "a number that can be kept exactly in " + u.Neutral, Got: d.String() + " " + u.Code}
	}
	return v, nil
}

// From converts d from the neutral unit into this one, rounded half to even to
// the given number of places (0 to 19), and says whether the result is exact.
// ok is false if it cannot be kept.
func (u *Unit) From(d events.Decimal, places int) (v events.Decimal, exact, ok bool) {
	if !d.IsSet() || places < 0 || places > 19 {
		return v, false, false
	}
	x, _ := new(big.Rat).SetString(d.String())
	f, _ := new(big.Rat).SetString(u.Factor.String())
	x.Quo(x, f)
	scaled := new(big.Rat).Mul(x, new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(places)), nil)))
	n := halfEven(scaled)
	if !n.IsInt64() {
		return v, false, false
	}
	return events.DecimalOf(n.Int64(), places), scaled.IsInt(), true
}

func halfEven(x *big.Rat) *big.Int {
	n, rest := new(big.Int).QuoRem(x.Num(), x.Denom(), new(big.Int))
	twice := new(big.Int).Abs(rest)
	switch twice.Lsh(twice, 1).Cmp(x.Denom()) {
	case -1:
		return n
	case 0:
		if n.Bit(0) == 0 {
			return n
		}
	}
	return n.Add(n, big.NewInt(int64(x.Sign())))
}
