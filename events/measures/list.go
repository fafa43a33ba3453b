package measures

// agreementName is the one measure that is about persons.
const agreementName = "agreement"

// bySplits are the splits of what is about animals on a day.
var byAnimal = []string{ByParity, ByStage, BySeason, ByPen}

// list has every measure, in the order in which people want them.
var list = []Measure{
	{
		Name: "lameness", Title: "Point prevalence of lameness",
		Definition: "animals lame at a session, by the scale's own cut, of those scored at it; severely lame by gait grade, from the least to the most it can be where a scale cannot tell, and by the scale's own cut",
		Splits:     byAnimal, needs: needScores, make: (*work).lameness,
	},
	{
		Name: "confirmed", Title: "Confirmed point prevalence of lameness",
		Definition: "animals lame at a session and at the score before it, or severely lame at it by the scale's own cut, of those scored at it",
		needs:      needScores, make: (*work).confirmed,
	},
	{
		Name: "period", Title: "Period prevalence of lameness",
		Definition: "animals lame at least once in the period, of those scored at least once in it",
		Splits:     byAnimal, needs: needScores, make: (*work).periodPrevalence,
	},
	{
		Name: "change", Title: "Newly lame, still lame, recovered",
		Definition: "of animals scored at two sessions that follow each other: lame now of those not lame before; not lame now, and lame still, of those lame before",
		needs:      needScores, make: (*work).change,
	},
	{
		Name: "episodes", Title: "Incidence of lameness",
		Definition: "new episodes per time at risk: a lame score of an animal that was sound, that is, had so many not-lame scores in a row; at risk from then to the episode, to the day a block or wrap went on, or to her last score, in the herd and among the animals asked for",
		Splits:     byAnimal, needs: needScores, make: (*work).episodes,
	},
	{
		Name: "cases", Title: "Incidence and recurrence of lesions",
		Definition: "cases whose first record is in the period per time of the animals present; one case is the records of one class of lesion on one claw (or foot, for the skin) with no more than the gap between them; a recurrence is a case behind another one of that claw and class",
		Splits:     byAnimal, needs: needCases, make: (*work).caseRates,
	},
	{
		Name: "recurrence", Title: "Time to recurrence of lesions",
		Definition: "days from the day a case was found healed to the first record of the next case of the class on that claw, by Kaplan and Meier; watched until then, until she left or the claw was gone, or until the end of the period",
		Splits:     append([]string{ByFoot}, byAnimal...), needs: needCases | needClaws, make: (*work).recurrence,
	},
	{
		Name: "lesions", Title: "Prevalence of lesions at trimming",
		Definition: "animals, feet and claws with the lesion at an examination of the period, of those examined in it; feet that were not lifted and claws that are gone are not counted",
		Splits:     []string{ByParity, ByStage, BySeason, ByPen, ByFoot, ByZone}, needs: needExams | needClaws, make: (*work).lesions,
	},
	{
		Name: "zones", Title: "Where lesions sit",
		Definition: "claws (or feet, for the skin) with at least one lesion in the zone, of those examined in the period; zones of the map claw-zones-13",
		needs:      needExams | needClaws, make: (*work).zones,
	},
	{
		Name: "dermatitis", Title: "Digital dermatitis by stage",
		Definition: "feet, and animals, with digital dermatitis of stage M1, M2 or M4.1 at the newest examination of the foot in the period, of those examined in it",
		needs:      needExams, make: (*work).dermatitis,
	},
	{
		Name: "waiting", Title: "From lame to examined",
		Definition: "days from the first lame score (after a not-lame one, or after 90 days without any) to the next examination, that is, any record of a look at the feet: an examination, a lesion, a corrective trim, a wound seen, a block put on, what a trimmer put on, or what a vet did; examined in time of those watched so long",
		needs:      needScores | needExams | needCare, make: (*work).waiting,
	},
	{
		Name: "devices", Title: "Wraps, blocks and ulcers",
		Definition: "wraps of the period off before they were late; ulcers first seen in the period with a block on the other claw within the days; blocks of the period found gone before their time, of those watched so long or lost before",
		needs:      needDevices | needCases | needClaws, make: (*work).devices,
	},
	{
		Name: "due", Title: "Due, done, missed",
		Definition: "of what was to be done by windows of worklists that closed in the period, for animals in the herd on that day: done in time; late; missed, that is not done by the end of the period; what was settled before its window opened was not due. Windows follow from all the log tells by now: a list of that day may have known less. Wraps off before they are late; blocks looked at, and off by the day ordered, planned or usual; ulcers, white line and toe lesions seen again by a look at the foot; orders to recheck, trim, call the vet or take something off, on the day due; checks before drying off, in mid-lactation and of heifers by a look at the animal",
		needs:      needDevices | needCases | needClaws | needDue, make: (*work).due,
	},
	{
		Name: "trend", Title: "Lameness from session to session",
		Definition: "animals lame at each session of those scored without a block or wrap on; Cochran-Armitage test, p chart of three standard errors, cumulative sums of standardized shares",
		needs:      needScores, make: (*work).trend,
	},
	{
		Name: agreementName, Title: "Agreement of observers",
		Definition: "of animals scored by two observers, or twice by one, on one day on one scale: share of equal scores, kappa with its large-sample interval, weighted kappa, PABAK",
		needs:      needScores, make: (*work).agreement,
	},
	{
		Name: "sample", Title: "How many to score",
		Definition: "animals to draw at random to tell the prevalence to the wanted precision (Cochran 1977), and to find one lame at least (hypergeometric), on the last day of the period",
		needs:      needScores, make: (*work).sample,
	},
}

// All returns every measure, in the order in which people want them.
func All() []Measure { return append([]Measure(nil), list...) }
