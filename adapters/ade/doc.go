// Package ade reads and writes resources of ICAR ADE, the animal data exchange
// of the International Committee for Animal Recording (Apache-2.0, adewg/ICAR;
// the state of branch Develop of 2024, which the versions 1.x are close to).
// Inward it brings documents into one form and leaves to a mapping what they
// mean; outward it writes our events. It does not know feeds or grants: it
// writes what it is handed. Start at [NewDecoder] and the built-in mapping in
// [Files], or at [NewWriter], or at [NewHandler].
//
// # Reading
//
// A document is a collection ({"view": …, "member": […]}), an array of resources
// as the change feed has it, or one resource. Each resource is a row. Facts that
// ADE's own examples have and its schemas forbid are taken in:
//
//   - resourceType is brought to the form of Develop ([ResourceType]). A resource
//     without one is held, unless the mapping says what all of them are ("read:
//     {format: ade, resource: …}"): a drying-off without it looks like any event.
//   - Members that are null are left out.
//   - Members that end in Date or DateTime, and modified and created, are brought
//     to the forms of [Moment]. Midnight in UTC or without a zone is a day: ADE
//     has days in fields of date-time.
//   - "@animal" is added: how the animal is identified, by scheme; by a scheme of
//     ours where a well-known one of ADE is the same thing, else by the scheme as
//     given. managementTag is herd-number.
//   - "@key" is added: by what the resource is known again. meta.source and
//     meta.sourceId, else id, else the animal and eventDateTime, with the type.
//
// A resource with meta.isDeleted retracts what earlier documents said under its
// key, and needs nothing else. In one document with what it deletes it is held:
// all that a document says of a record is one statement.
//
// What was read is kept as it came; these are how a mapping sees it. The built-in
// mapping makes a statement of a roster (kind animal) of each resource that tells
// of one: "mapping: builtin:ade-roster". A resource with an animal in no scheme
// that is known is held; write the mapping into a file of your own and add the
// scheme.
//
// # Writing
//
// One event is one resource, so that what becomes of an event becomes of its
// resource. id and meta.sourceId are the entity, meta.modified when it was
// recorded, meta.isDeleted a retraction. A resource whose sourceId is known
// replaces the other as a whole (adewg/ICAR, docs/generic-data-exchange-api.md), so
// an event with another animal is its resource with another animal, and no deletion.
//
//	lesion         icarDiagnosisEventResource, one diagnosis
//	examination    icarTreatmentEventResource, procedure FootTrimming, if a foot was trimmed
//	treatment      icarTreatmentEventResource
//	taken-off      icarTreatmentEventResource, if somebody took it off
//	group          icarGroupTreatmentEventResource, procedure FootBathing or what it was
//	locomotion     icarAttentionEventResource, cause Lameness, if lame by the scale's own cut
//
// Other kinds have no resource in ADE: a config that asks for them is refused.
//
// The animal goes by the first of transponder (std.iso.11785), ear-tag, interbull
// (icar.Interbull), herdbook, herd-number and pseudonym that it has, or as
// [Options] say; schemes without a name in ADE are example.dewclaw.<scheme>, the
// farm example.dewclaw.farm, findings example.dewclaw.lesions with the codes of
// the ICAR Claw Health Atlas, medicines example.dewclaw.medicine-as-entered with
// the name that was entered. Positions are legs; toes, an addition of 2026, only
// if asked for. A day without a time is noon of that day in the farm's zone.
//
// # What ADE lacks: the member dewclaw
//
// ADE has no claw zones, no code scheme for findings, no stage of digital
// dermatitis, no name of a scale, no locomotion score, no session, no block, wrap
// or recheck, no day without a time. Each resource therefore has a member dewclaw:
// the event itself, a CloudEvent 1.0 whose dataschema names the published JSON
// Schema of its data. Nothing is in it that the grant of the feed does not let
// out. ADE's schemas leave room for it, and its readers are to be tolerant
// (adewg/ICAR, ReleaseNotes). Who knows the member reads the fact from there;
// who does not has what ADE can say, and the rest in words in description, site,
// comment and remark.
//
// # Files, and the change feed
//
// A file of a feed is a collection, {"member": […]}: upserts and deletions in the
// order of the log. The change feed ([Handler]) gives the same over HTTP to a
// client that asks, page by page, each page with the token to go on with. It
// serves what its [Changes] give it, for the client they know from the context.
package ade
