package ade

import "encoding/json"

// A resource is one object of ADE, with the members of every resource type that
// is written; a member that is not set is left out.
type resource struct {
	ResourceType string     `json:"resourceType"`
	ID           string     `json:"id"`
	Meta         meta       `json:"meta"`
	Location     Identifier `json:"location"`

	// Of every event.
	Animal        *Identifier `json:"animal,omitempty"`
	EventDateTime string      `json:"eventDateTime"`
	Remark        string      `json:"remark,omitempty"`

	// icarDiagnosisEventResource
	Diagnoses []diagnosis `json:"diagnoses,omitempty"`

	// icarTreatmentEventResource, icarGroupTreatmentEventResource
	Medicine    *medicine    `json:"medicine,omitempty"`
	Procedure   string       `json:"procedure,omitempty"`
	Batches     []batch      `json:"batches,omitempty"`
	Withdrawals []withdrawal `json:"withdrawals,omitempty"`
	Site        string       `json:"site,omitempty"`
	Positions   []position   `json:"positions,omitempty"`
	Comment     string       `json:"comment,omitempty"`

	// icarGroupEventCoreResource
	GroupMethod             string     `json:"groupMethod,omitempty"`
	CountObserved           *int       `json:"countObserved,omitempty"`
	InventoryClassification *inventory `json:"inventoryClassification,omitempty"`

	// icarAttentionEventResource
	Category string   `json:"category,omitempty"`
	Causes   []string `json:"causes,omitempty"`
	Priority string   `json:"priority,omitempty"`
	Severity string   `json:"severity,omitempty"`

	Dewclaw json.RawMessage `json:"dewclaw"` // the event itself: see the package comment
}

// An Identifier is an id in a scheme, as ADE has animals, locations and codes.
type Identifier struct {
	ID     string `json:"id"`
	Scheme string `json:"scheme"` // a reverse domain name
}

type meta struct {
	Source    string `json:"source"`
	SourceID  string `json:"sourceId"`
	Modified  string `json:"modified"`
	IsDeleted bool   `json:"isDeleted,omitempty"`
}

type diagnosis struct {
	ID            string      `json:"id"`
	Name          string      `json:"name,omitempty"`
	Description   string      `json:"description,omitempty"`
	Code          *Identifier `json:"diagnosisCode,omitempty"`
	Site          string      `json:"site,omitempty"`
	Severity      string      `json:"severity,omitempty"`
	SeverityScore json.Number `json:"severityScore,omitempty"`
	Positions     []position  `json:"positions,omitempty"`
}

// A position is an object in ADE, not a text.
type position struct {
	Position string `json:"position"`
}

type medicine struct {
	Identifier Identifier `json:"identifier"`
	Family     string     `json:"family"`
	Name       string     `json:"name"`
}

type batch struct {
	Identifier string `json:"identifier"`
}

type withdrawal struct {
	ProductType string `json:"productType"`
	EndDate     string `json:"endDate"`
}

type inventory struct {
	Name    string `json:"name"`
	Count   *int   `json:"count,omitempty"`
	Species string `json:"species"`
}
