package ade

import "strings"

// Resource types, as the branch Develop of adewg/ICAR names them.
const (
	Animal         = "icarAnimalCoreResource"
	Parturition    = "icarReproParturitionEventResource"
	DryingOff      = "icarMilkingDryOffEventResource"
	Insemination   = "icarReproInseminationEventResource"
	Departure      = "icarMovementDepartureEventResource"
	Death          = "icarMovementDeathEventResource"
	Arrival        = "icarMovementArrivalEventResource"
	Birth          = "icarMovementBirthEventResource"
	Lactation      = "icarLactationResource"
	Diagnosis      = "icarDiagnosisEventResource"
	Treatment      = "icarTreatmentEventResource"
	GroupTreatment = "icarGroupTreatmentEventResource"
	Attention      = "icarAttentionEventResource"
)

// What stands first and last in an array of the change feed (adewg/ICAR,
// docs/generic-data-exchange-api.md).
const (
	contextID      = "@context"
	continuationID = "@continuation"
)

// Members the decoder adds to a resource.
const (
	animalMember = "@animal"
	keyMember    = "@key"
)

// ResourceType returns the name of a resource type in the form of Develop,
// icarDiagnosisEventResource, of the forms that stand in ADE documents: that
// one, the short name (DiagnosisEvent), the name of the schema file, and a URI or
// CURI that ends in one of them (adewg/ICAR, resources/resourceTypeCatalog.md).
// It returns "" for what has the form of none.
func ResourceType(given string) string {
	s := strings.TrimSpace(given)
	if i := strings.LastIndexAny(s, "/#:"); i >= 0 {
		s = s[i+1:]
	}
	s = strings.TrimSuffix(s, ".json")
	s = strings.TrimSuffix(strings.TrimPrefix(s, "icar"), "Resource")
	if s == "" || strings.Trim(s, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ") != "" {
		return ""
	}
	switch s {
	case "ReproInsemonationEvent": // as the catalogue of resource types has it
		s = "ReproInseminationEvent"
	case "Animal":
		s = "AnimalCore"
	}
	return "icar" + s + "Resource"
}

// wellKnown is ADE's schemes of animals, in lower case, in those of ours they are
// (adewg/ICAR, well-known/icarAnimalIdentifierType.md). eu.animalId is what an
// official ear tag says in digits, std.iso.11785 what a transponder sends.
var wellKnown = map[string]string{
	"std.iso.11785":      "transponder",
	"eu.animalid":        "ear-tag",
	"eu.bovine":          "ear-tag",
	"uk.cts.eartag":      "ear-tag",
	"usa.ain":            "ear-tag",
	"us.bovine":          "herdbook", // a lifetime herd book number
	"au.nlis":            "ear-tag",
	"nz.nait.visualid":   "ear-tag",
	"nz.digad.birthid":   "herdbook",
	"icar.interbull":     "interbull",
	ourScheme("ear-tag"): "ear-tag", ourScheme("transponder"): "transponder", ourScheme("herd-number"): "herd-number",
	ourScheme("herdbook"): "herdbook", ourScheme("interbull"): "interbull",
}

// namespace is the reverse domain name under which our own schemes stand.
const namespace = "example.dewclaw"

// ourScheme names one of our schemes or lists as ADE wants schemes to be named.
func ourScheme(name string) string { return namespace + "." + name }
