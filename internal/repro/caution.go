package repro

// Cautions of indices.md section 6, in words. They go with lists and answers;
// none of them is advice to treat, and none says that anybody may do a thing.
const (
	cautionHandling   = "Restrain her before any examination: most injuries of people who examine cattle are kicks and crushing in yards. A cow in heat mounts: never turn your back on her."
	cautionGlove      = "Wear a glove to the shoulder. Pregnant women keep away from hormones, abortions and afterbirths."
	cautionLaw        = "Who may diagnose pregnancy is a matter of the law of the place; this answer does not say that anyone may."
	cautionNoTreating = "This is not advice to treat: no product that can end a pregnancy belongs in a cow whose state is not known by a fresh examination."
	cautionEarlyHand  = "Palpation by a beginner, or earlier than the herd's own days, has gone with more losses: no cow is examined by hand twice in a week."
	cautionZoonoses   = "Calvings and abortions: gloves and face protection, wash at once. Pregnant women neither help nor touch calves, membranes or soiled clothing (Q fever, listeriosis, chlamydiosis, toxoplasmosis; brucellosis and leptospirosis also endanger a pregnancy)."
	cautionAbortion   = "An abortion, or a calving less than 271 days after service (265 after transfer of an embryo), must be reported in Great Britain, and elsewhere perhaps too."
	cautionTransport  = "In the last tenth of pregnancy (about day 252 of 280 on) the European Union forbids transport and slaughter: look at her due date before anyone sells her."
	cautionResidue    = "Milk or meat of hers is withheld after a treatment: keep it apart, and do not sell her before the date given."
	cautionHeatCows   = "Cows in heat are dangerous to people on foot; slippery floors hide heats. Look, do not push among them."
)

var cautionTexts = []string{cautionHandling, cautionGlove, cautionLaw, cautionNoTreating}

// union keeps each text once, in order of first mention.
func union(lists ...[]string) []string {
	out := []string{}
	seen := map[string]bool{}
	for _, list := range lists {
		for _, s := range list {
			if !seen[s] {
				seen[s] = true
				out = append(out, s)
			}
		}
	}
	return out
}
