package repro

import "strings"

// sources are the published works behind the definitions, by the number that
// the project's list gives them. Most were read in abstract only; each is
// cited for what it is used for. Pages move: an address is where the work was
// read.
var sources = map[string]string{
	"S1":   "Remnant 2019, PhD thesis, Univ. Nottingham (interval classes), eprints.nottingham.ac.uk/id/eprint/55896",
	"S2":   "California demonstration project, reproductive analysis (21-day cycles counted cow by cow)",
	"S4":   "Niles on pregnancy rate, farm press (eligible cows; days open of pregnant cows do not move while nothing conceives)",
	"S5":   "Krymowski 2018, identifying reproduction benchmarks (who is eligible)",
	"S6":   "LeBlanc, overall reproductive performance of Canadian dairy cows (rate and risk; bias of the calving interval)",
	"S7":   "VanRaden et al. 2004, J Dairy Sci 87:2285 (known outcomes; sold for infertility has failed)",
	"S8":   "USDA evaluation description 2005 (unreported abortions shift conceptions reckoned from calvings)",
	"S9":   "technical note 2013, J Dairy Sci 96:1264 (70 days before the herd's own last data date)",
	"S11":  "Löf et al. 2012, Acta Vet Scand 54:5 (pregnant and inseminated by waiting period + 30 days)",
	"S12":  "Löf 2012, thesis, Swedish Univ. of Agricultural Sciences",
	"S13":  "Vet Sci 2023 10(9):550 (in-calf by 100 and 200 days)",
	"S14":  "service rate and heat detection rate, trade article",
	"S15":  "UK submission rate and waiting period, veterinary-practice.com",
	"S16":  "Selk 2009, Oklahoma State Univ. (21 over the mean interval)",
	"S18":  "detection of estrus by three methods (efficiency and accuracy)",
	"S19":  "Finnish embryo transfer records 2008-12 (services without outcome left out; secondary copy)",
	"S21":  "Fernandez-Novo et al. 2020, Animals 10:925 (conception and loss)",
	"S22":  "days open including culled cows, extension article",
	"S23":  "USDA ARS 2003 (calving date less gestation)",
	"S24":  "NZ research script, supplement of Genes 2023 14:860 (limits of first service, stage and conception)",
	"S25":  "Penn State on the waiting period (days to first service)",
	"S26":  "Miller et al. 2007, J Dairy Sci 90:1594 (first services in US herds)",
	"S28":  "first inseminations in Galicia 2011 (56-day non-return)",
	"S32":  "Poland, breeding value for female fertility",
	"S33":  "Otwinowska-Mindur et al. 2022, Animals 12:1485 (farms that record the last service only)",
	"S34":  "Plaizier et al., 106 Ontario herds (calving interval and culling)",
	"S37":  "embryo to day 42, beef extension",
	"S39":  "Interbull, female fertility trait groups (non-return preferably at 56 days)",
	"S40":  "Johnson 2004, Proc NZ Soc Anim Prod 64:138 (non-return)",
	"S41":  "non-return overstates conception",
	"S42":  "Meadows et al. 2005, J Dairy Sci 88:1244 (cost of days open)",
	"S44":  "Penn State circular 402 (heat in the morning, bred in the afternoon)",
	"S45":  "Vishwanath et al. 2004, Proc NZ Soc Anim Prod 64 (bred once a day does as well)",
	"S47":  "tail chalk question, advisers' newsletter (partly rubbed: look for a second sign)",
	"S48":  "Marques et al. 2025, Theriogenology (chalk and a second sensor)",
	"S49":  "pregnancy diagnosis days and losses after early examination, farm press",
	"S50":  "early pregnancy by ultrasound from day 26, trade article",
	"S51":  "timing of blood tests for pregnancy, trade article",
	"S52":  "US extension service, heat detection and pregnancy diagnosis",
	"S53":  "Eastridge, Ohio State Univ. (length of the dry period)",
	"S54":  "Keown and Kononoff, Univ. of Nebraska G1665 (dry period)",
	"S55":  "Great Britain: reporting of abortions and premature calvings",
	"S59":  "Norman et al. 2009, J Dairy Sci 92:2259 (gestation by breed)",
	"S60":  "Knott 1932 (gestation of 2,824 single births)",
	"S61":  "meta-analysis of pregnancy loss, JDS Communications 2022/23",
	"S63":  "Romano et al., JAVMA (loss by stage)",
	"S64":  "Romano and Kraemer (loss, palpated or not)",
	"S65":  "oestrus during pregnancy in the cow (5.7 % of pregnant cows)",
	"S83":  "Santos, Univ. of Florida (age of heifers at first breeding)",
	"S86":  "Eastham et al. 2018, PLoS ONE (age at first calving)",
	"S94":  "Lind et al. 2012, Acta Vet Scand 54:71 (dates of two recorders, 7 days)",
	"S96":  "ICAR guidelines section 1 (identity)",
	"S97":  "minimum calving interval, Animals 2024 14:2513",
	"S98":  "first inseminations, data set of the R package parfm (none in the first 29 days)",
	"S102": "Lucas et al. 2013 (injuries of veterinarians working with cattle)",
	"S104": "UK government, contact with animals that give birth",
	"S107": "dangers of reproductive hormones, veterinary trade press",
	"S110": "dry period and milk withdrawal, trade article",
	"S116": "Krog et al., PLoS ONE (transport in the last tenth of gestation)",
}

// cited spells out the numbers of a definition's sources; what is no number
// stands for itself.
func cited(list []string) []string {
	out := make([]string, len(list))
	for i, s := range list {
		number, rest, _ := strings.Cut(s, " ")
		text, ok := sources[number]
		switch {
		case !ok:
			out[i] = s
		case rest == "":
			out[i] = text + " [" + number + "]"
		default:
			out[i] = text + " [" + number + "] " + rest
		}
	}
	return out
}
