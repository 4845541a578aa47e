package repro

// version of all definitions below. A definition that changes its figures gets
// a new version of its own.
const version = "1"

func define(key string, unit Unit, title, trade, text string, groups []string, refs ...string) Definition {
	if groups == nil {
		groups = []string{}
	}
	return Definition{ID: key + "/" + version, Key: key, Title: title, TradeName: trade, Version: version, Text: text, Unit: unit, Sources: cited(refs), Groups: groups}
}

// revised gives a definition its second version.
func revised(d Definition) Definition {
	const second = "2"
	d.ID, d.Version = d.Key+"/"+second, second
	return d
}

// indices are all that are computed, in the order of showing.
var indices = []index{
	{
		def: revised(define("pregnancy_risk_21d", Share, "21-day pregnancy risk", "21-day pregnancy rate",
			"Cows that conceived in a window of 21 days, of the cows eligible in it. Windows are tiled from the anchor; whole windows of the period count. A day is a risk day when the cow is present, in milk past the waiting period in force that day, not under a stop and not pregnant from a conception before the window; eligible is a cow with at least exposure_days risk days. A conception in the window does not shorten her exposure. A cow that conceived with fewer risk days, or on a day that was none, is left out and counted as pregnant_outside_eligible. A pregnancy lost later stays in its window; she is at risk again from the day after the loss was detected. A window is provisional, and its value withheld, until maturity_days after its end have been recorded. A cow counts once in a window: of two conceptions the one on a risk day counts, and she counts as lost_later only if none of them lasted. Natural service stays in the denominator.",
			spanGroups, "S2", "S5", "S9", "common practice (exposure of at least half the window)")),
		means:   Figure{Statistic: StatShare, NumeratorIs: "conceived", DenominatorIs: "eligible cows, window by window"},
		collect: func(q *query) func(l *life) { return collectWindows(q, false) }, finish: func(c *count) { finishWindows(c, false) }, own: ByWindow, sumsOnly: true,
	},
	{
		def: revised(define("insemination_risk_21d", Share, "21-day insemination risk", "21-day service rate, submission rate",
			"Cows served at least once on a risk day of a window of 21 days, of the cows eligible in it; windows, risk days and eligibility as in pregnancy_risk_21d. A cow served twice in a window counts once; timed services count; a service counts on the day of its last breeding. Runs with a bull are no services: cows exposed to one are counted beside.",
			spanGroups, "S14", "S15")),
		means:   Figure{Statistic: StatShare, NumeratorIs: "served", DenominatorIs: "heats expected, one of each eligible cow in a window"},
		collect: func(q *query) func(l *life) { return collectWindows(q, true) }, finish: func(c *count) { finishWindows(c, true) }, own: ByWindow, sumsOnly: true,
		of: "pregnancy_risk_21d", turn: asInsemination,
	},
	{
		def: define("pregnancy_risk_cow_cycles", Share, "Pregnancy risk by cow-centred cycles", "pregnancy rate, cow by cow",
			"Pregnancies over the 21-day cycles from the end of each cow's own waiting period until she conceives, is stopped for good, leaves, or the records end, of the cows that calved in the period. Cycles of a cow that conceived are rounded up, those of an open cow to the nearest (half a cycle counts). A cow that conceived before the end of the waiting period is left out: the waiting period is not moved for her.",
			spanGroups, "S2"),
		means:   Figure{Statistic: StatShare, NumeratorIs: "conceived", DenominatorIs: "cycles of 21 days"},
		collect: collectCycles, finish: finishCycles, cowsOnly: true,
	},
	{
		def: revised(define("conception_risk", Share, "Conception risk", "conception rate",
			"Services that she conceived to, of the services with a known outcome, dated in the period by their last breeding. Breedings at most merge_days apart are one service, even if a run with a bull begins in between. Pregnant: a diagnosis attributed to it, or a calving within the bounds of gestation; a positive diagnosis of a cow that carries already confirms that pregnancy; a loss later does not undo it. A loss proves a pregnancy that nothing else proved; a loss of a cow not bred since the last one is that one again, unless its stage points to later. Failed: served again (by other than a run with a bull), diagnosed open, conceived later, or left for infertility. Services without a result younger than maturity_days are immature; older ones are unknown. Both are left out and counted. Services of a cow pregnant already, and runs with a bull, are left out.",
			serviceGroups, "S7", "S9", "S19")),
		means:   Figure{Statistic: StatShare, NumeratorIs: "conceived", DenominatorIs: "services with a known outcome"},
		collect: collectConception, finish: finishConception,
	},
	{
		def: define("first_service_conception_risk", Share, "First-service conception risk", "first-service conception rate",
			"As conception_risk, of the first service of each lactation.", serviceGroups, "S7", "S9"),
		means:   Figure{Statistic: StatShare, NumeratorIs: "conceived", DenominatorIs: "first services with a known outcome"},
		collect: collectFirstConception, finish: finishConception,
	},
	{
		def: define("conception_by_how_found", Share, "Conception risk by how the heat was found", "conception rate of chalk heats and suspects",
			"As conception_risk, by what led to the service: read in heat that day or the day before (and by what means), a suspect found in heat by palpation, a suspect bred without examination, found by palpation alone, timed, a reading not recorded.",
			[]string{ByFound}, "S48", "common practice"),
		means:   Figure{Statistic: StatShare, NumeratorIs: "conceived", DenominatorIs: "services with a known outcome"},
		collect: collectByFound, finish: finishConception, own: ByFound,
	},
	{
		def: revised(define("days_to_first_service", Days, "Days to first service", "days to first breeding",
			"Days from calving to the first breeding of the first service, of the cows that calved here in the period and were served: the median, with the mean beside. The cows not served are named and counted apart. A first exposure to a bull is no service. Beside it the survival view (survival_median and so on): the median by Kaplan and Meier with a 95 % interval by the log-log method, over all cows of the period; a cow not served is censored on the day she left, was put to a bull, conceived without a recorded service, or on which the records end, whichever is first; a stop does not censor. One that calved again with neither a service nor a dated conception is left out of it.",
			firstGroups, "S25", "S26")),
		means:   Figure{Statistic: StatMedian, NumeratorIs: "", DenominatorIs: "cows served"},
		collect: collectFirstService, finish: finishFirstService, cowsOnly: true, followed: true,
	},
	{
		def: revised(define("days_open", Days, "Days open", "days open, calving to conception",
			"Days from calving to conception, of the cows that calved here in the period and are pregnant or calved again: the median, with the mean beside. Cows still open (running) and cows that left open (censored) are never averaged with them; they are named and counted apart with their means. A loss withdraws the closing: the clock runs on from the calving. Running days are counted to the day asked for. Beside it the survival view (survival_median and so on): the median by Kaplan and Meier with a 95 % interval by the log-log method, over all cows of the period but those whose conception has no date; running cows are censored on the day on which the records end, cows that left open on that day.",
			spanGroups, "S4", "S22")),
		means:   Figure{Statistic: StatMedian, NumeratorIs: "", DenominatorIs: "cows that conceived"},
		collect: collectDaysOpen, finish: finishDaysOpen, cowsOnly: true, followed: true,
	},
	{
		def: define("services_per_conception", Services, "Services per conception", "services per conception",
			"Services with a known outcome over conceptions: one over the conception risk, with the same services left out. The flattering figure, services of the cows that conceived only, stands beside as of_cows_that_conceived.",
			serviceGroups, "S32", "S33"),
		means:   Figure{Statistic: StatRatio, NumeratorIs: "services with a known outcome", DenominatorIs: "conceptions"},
		collect: collectConception, finish: finishPerConception, of: "conception_risk",
	},
	{
		def: revised(define("inter_service_interval", Days, "Intervals between services", "interservice intervals",
			"Days from the last breeding of a service to the first of the next in the same lactation, for intervals that end in the period: the mean, and the shares of the classes up to 17, 18 to 24, 25 to 35, 36 to 48 and over 48 days. Intervals across a loss (detected after the first service and by the day of the second, whichever service the pregnancy came of) are counted apart as after_loss; runs with a bull are left out. heat_detection_by_interval is 21 over the mean, at most 1: it ignores cows never served.",
			serviceGroups, "S1", "S16")),
		means:   Figure{Statistic: StatMean, NumeratorIs: "", DenominatorIs: "intervals"},
		collect: collectIntervals, finish: finishIntervals, order: intervalLabels,
	},
	{
		def: define("return_interval_share", Share, "Share of normal returns", "18 to 24 day returns",
			"Intervals between services of 18 to 24 days, of all intervals as in inter_service_interval; normal_to_double is their number over that of 36 to 48 days.",
			serviceGroups, "S1"),
		means:   Figure{Statistic: StatShare, NumeratorIs: "of 18 to 24 days", DenominatorIs: "intervals"},
		collect: collectIntervals, finish: finishReturns, order: intervalLabels, of: "inter_service_interval",
	},
	{
		def: define("non_return_56d", Share, "56-day non-return rate", "non-return rate",
			"First services without another within 56 days, of the first services at least 56 days before the end of the records. Cows that left or were put to a bull within 56 days are left out. A proxy: it overstates conception.",
			serviceGroups, "S28", "S39", "S40", "S41"),
		means:   Figure{Statistic: StatShare, NumeratorIs: "not served again within 56 days", DenominatorIs: "first services"},
		collect: collectNonReturn, finish: finishNonReturn,
	},
	{
		def: revised(define("pregnant_per_month", Share, "Made pregnant per month", "share of the milking herd made pregnant a month",
			"Conceptions dated in calendar months over the cow-months of the cows in milk: the sum over the months of the average number in each (cow-days over the days of the month). Over one month and over many it is a share per month. Over all cows, milking and dry, beside as of_all_cows. Whole months of the period count. A month is provisional, and its value withheld, until maturity_days after its end have been recorded. A pregnancy lost later stays in its month. The denominator is shown rounded (milking_cow_months is exact) and the interval is Wilson's on it. target is the herd's own on the last day; target_met is 1 where the value reaches it and 0 where it does not; shortfall_cows is how many more would have had to conceive for it.",
			[]string{ByLactationGroup, ByMonth, ByPen}, "common practice, no source (target 8 % of the milking cows)")),
		means:   Figure{Statistic: StatShare, NumeratorIs: "conceived", DenominatorIs: "cow-months in milk"},
		collect: collectMonths, finish: finishMonths, cowsOnly: true, own: ByMonth, sumsOnly: true, dated: true,
	},
	{
		def: define("cost_of_open_days", Money, "Cost of open days", "cost of days open",
			"What one open day of all open cows costs on the day asked for, as a range: cows that calved, in milk, not known to be pregnant and not stopped, at the herd's own cost for their days in milk. Cows bred whose result is not known count as open and are counted beside.",
			cowGroups, "common practice, no source (2 to 3 dollars a cow a day after 115 days)", "S42 (curve)"),
		means:   Figure{Statistic: StatRange, NumeratorIs: "at a cost", DenominatorIs: "open cows in milk"},
		collect: collectCost, close: sumCosts, finish: finishCost, cowsOnly: true,
	},
	{
		def: define("calving_interval", Days, "Calving interval", "calving interval",
			"Days between consecutive calvings of a cow, for calvings in the period: the median, with the mean beside. Only cows that calved again have one; the cows that left in the period are counted beside.",
			spanGroups, "S6", "S34"),
		means:   Figure{Statistic: StatMedian, NumeratorIs: "", DenominatorIs: "calvings of cows that calved before"},
		collect: collectCalvingInterval, finish: finishCalvingInterval, cowsOnly: true,
	},
	{
		def: define("projected_calvings", Cows, "Projected calvings", "cows due to calve",
			"Animals pregnant on the day asked for, by the month in which they are due: conception plus the gestation of the breed. The evidence has for each the conception (from), the dry-off date (to), the due date (on) and the calving interval that it makes (days). A pregnancy older than 302 days without a calving is left out as overdue.",
			[]string{ByLactationGroup, ByMonth, ByWindow, ByPen, ByTechnician, BySire, BySemen, ByMethod}, "S23", "S59"),
		means:   Figure{Statistic: StatCount, NumeratorIs: "", DenominatorIs: "pregnant animals"},
		collect: collectProjected, finish: finishProjected, own: ByMonth,
	},
	{
		def: define("pregnant_by_vwp30", Share, "Pregnant by 30 days after the waiting period", "pregnant by VWP + 30",
			"Cows that conceived by 30 days after the end of their own waiting period, of the cows that calved here in the period, passed that day or conceived before, and whose outcome has had maturity_days to show.",
			spanGroups, "S11", "S12"),
		means:   Figure{Statistic: StatShare, NumeratorIs: "conceived by then", DenominatorIs: "cows calved"},
		collect: collectByWaitPlus30, finish: finishInCalf, cowsOnly: true,
	},
	{
		def: define("in_calf_by_100d", Share, "In calf by day 100", "100-day in-calf rate",
			"Cows that conceived by day 100 after calving, of the cows that calved here in the period, passed that day or conceived before, and whose outcome has had maturity_days to show.",
			spanGroups, "S13"),
		means:   Figure{Statistic: StatShare, NumeratorIs: "conceived by then", DenominatorIs: "cows calved"},
		collect: collectInCalfBy(100), finish: finishInCalf, cowsOnly: true,
	},
	{
		def: define("in_calf_by_200d", Share, "In calf by day 200", "200-day in-calf rate",
			"As in_calf_by_100d, by day 200; what is missing to 1 is the 200-day not-in-calf rate.",
			spanGroups, "S13"),
		means:   Figure{Statistic: StatShare, NumeratorIs: "conceived by then", DenominatorIs: "cows calved"},
		collect: collectInCalfBy(200), finish: finishInCalf, cowsOnly: true,
	},
	{
		def: revised(define("pregnancy_loss_risk", Share, "Pregnancy loss", "pregnancy loss",
			"Pregnancies lost, of those diagnosed and followed to their end: to the loss, or to the calving. Pregnancies conceived in the period count, each once; whether one counts depends on its age alone: those conceived less than 302 days before the end of the records are too_recent, lost or not, since losses are known before calvings. Pregnancies known by calving or loss alone, and those of cows that left, are left out and counted. The rows are the stages: embryo to day 42 after conception, of those diagnosed by then and old enough (maturity_days after day 42), also of pregnancies whose term is still to come; fetus from day 43 to term, of those that survived so far. A loss counts on the day it was detected. stages_chained is what both stages make together, the second being conditional on surviving the first; it differs from the value where the stages rest on different pregnancies.",
			serviceGroups, "S21", "S37", "S61", "S63", "S64")),
		means:   Figure{Statistic: StatShare, NumeratorIs: "lost", DenominatorIs: "diagnosed pregnancies followed to their end"},
		collect: collectLoss, finish: finishLoss,
	},
	{
		def: revised(define("heat_reading_yield", Share, "Yield of heat readings", "heats found per cow read",
			"Heats found, of the cows read for heat, day by day: readings, suspects, suspects examined by palpation that day or the next, found in heat, bred that day or the next, pregnant (of those bred with a known outcome). A walk of a pen reads every cow that stands in it and has no reading of her own that day, as not in heat. Conception of suspects stands beside that of obvious heats. heats_expected is one in 21 of the readings of cows that should come in heat (from day 30 after calving, neither dry nor pregnant; none of heifers), and found_of_expected the heats found for each of them. Readings missed are days of a pen, from its first walk in the period on, on which animals stood in it and it was neither walked nor any of them read: pen_days_missed, each named in the evidence.",
			spanGroups, "S16", "S18", "common practice, no source (about half of the heats show an obvious rub)")),
		means:   Figure{Statistic: StatShare, NumeratorIs: "heats found", DenominatorIs: "readings of a cow"},
		collect: collectYield, close: countPenDays, finish: finishYield, order: yieldLabels, sumsOnly: true,
	},
}
