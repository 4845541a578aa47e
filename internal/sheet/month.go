package sheet

import (
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"byrelog.example/internal/event"
)

// Orders of dates whose month is a name. Separators do not matter: a name
// cannot be taken for a day.
const (
	dayMonthYear = "d mon y"
	monthDayYear = "mon d y"
	yearMonthDay = "y mon d"
)

// monthNames are the months in the languages that a mapping's months can list.
// Every beginning of three letters or more that is no other month's is read
// too; short forms that are no beginning stand behind the name.
var monthNames = map[string][12]string{
	"cs": {"leden ledna led", "únor února úno", "březen března bře", "duben dubna dub", "květen května kvě", "červen června čer čvn", "červenec července čvc", "srpen srpna srp", "září zář", "říjen října říj", "listopad listopadu lis", "prosinec prosince pro"},
	"da": {"januar", "februar", "marts", "april", "maj", "juni", "juli", "august", "september", "oktober", "november", "december"},
	"de": {"januar jänner jan jän", "februar feber", "märz mär mrz maerz", "april", "mai", "juni", "juli", "august", "september", "oktober", "november", "dezember"},
	"en": {"january", "february", "march", "april", "may", "june", "july", "august", "september", "october", "november", "december"},
	"es": {"enero", "febrero", "marzo", "abril", "mayo", "junio", "julio", "agosto", "septiembre setiembre set", "octubre", "noviembre", "diciembre"},
	"fi": {"tammikuu tammikuuta", "helmikuu helmikuuta", "maaliskuu maaliskuuta", "huhtikuu huhtikuuta", "toukokuu toukokuuta", "kesäkuu kesäkuuta", "heinäkuu heinäkuuta", "elokuu elokuuta", "syyskuu syyskuuta", "lokakuu lokakuuta", "marraskuu marraskuuta", "joulukuu joulukuuta"},
	"fr": {"janvier", "février fevrier fév", "mars", "avril", "mai", "juin", "juillet", "août aout", "septembre", "octobre", "novembre", "décembre"},
	"it": {"gennaio", "febbraio", "marzo", "aprile", "maggio", "giugno", "luglio", "agosto", "settembre", "ottobre", "novembre", "dicembre"},
	"nb": {"januar", "februar", "mars", "april", "mai", "juni", "juli", "august", "september", "oktober", "november", "desember"},
	"nl": {"januari", "februari", "maart mrt", "april", "mei", "juni", "juli", "augustus", "september", "oktober", "november", "december"},
	"pl": {"styczeń stycznia", "luty lutego", "marzec marca", "kwiecień kwietnia", "maj maja", "czerwiec czerwca", "lipiec lipca", "sierpień sierpnia", "wrzesień września", "październik października paź", "listopad listopada", "grudzień grudnia"},
	"pt": {"janeiro", "fevereiro", "março", "abril", "maio", "junho", "julho", "agosto", "setembro", "outubro", "novembro", "dezembro"},
	"sv": {"januari", "februari", "mars", "april", "maj", "juni", "juli", "augusti", "september", "oktober", "november", "december"},
}

// Languages lists the languages that a mapping's months can name.
func Languages() []string { return sortedKeys(monthNames) }

// named tells whether an order has the month as a name.
func named(order string) bool {
	return order == dayMonthYear || order == monthDayYear || order == yearMonthDay
}

var (
	dayWord   = regexp.MustCompile(`^([0-9]{1,2})(st|nd|rd|th|er|º|°)?$`)
	dateWords = strings.NewReplacer(",", " ", ".", " ", "-", " ", "/", " ", "\u00a0", " ")
)

// monthOf finds the month that a word names in one language, 0 for none.
func monthOf(word, language string) int {
	names, ok := monthNames[language]
	if !ok {
		return 0
	}
	found := 0
	for i, forms := range names {
		for _, form := range strings.Fields(forms) {
			if form == word {
				return i + 1
			}
			if utf8.RuneCountInString(word) >= 3 && strings.HasPrefix(form, word) && found != i+1 {
				if found != 0 {
					return 0 // the beginning of two months
				}
				found = i + 1
			}
		}
	}
	return found
}

// monthIn finds the month that a word names in the languages; one that means
// different months in two of them is none.
func monthIn(word string, languages []string) int {
	found := 0
	for _, l := range languages {
		switch n := monthOf(word, l); {
		case n == 0:
		case found != 0 && found != n:
			return 0
		default:
			found = n
		}
	}
	return found
}

// namedDate reads a date of an order with a month's name.
func namedDate(s, order string, languages []string, today event.Date, twoDigits bool) (event.Date, *dateFault) {
	bad := &dateFault{event.CodeBadDate, quote(s) + " is not a date of the order " + order + " with months in " + strings.Join(languages, ", ")}
	var parts []string
	for _, w := range strings.Fields(dateWords.Replace(foldWord(s))) {
		if w != "de" && w != "del" && w != "of" && w != "den" {
			parts = append(parts, w)
		}
	}
	pattern := strings.Fields(order)
	if len(parts) != 3 {
		return 0, bad
	}
	day := dayWord.FindStringSubmatch(parts[slices.Index(pattern, "d")])
	month := monthIn(parts[slices.Index(pattern, "mon")], languages)
	if day == nil || month == 0 {
		return 0, bad
	}
	year := parts[slices.Index(pattern, "y")]
	plain := day[1] + "/" + strconv.Itoa(month) + "/" + year
	d, fault := parseDate(plain, "d/m/y", today, twoDigits)
	if fault != nil && fault.code == CodeTwoDigitYear {
		return 0, &dateFault{CodeTwoDigitYear, quote(s) + " has a year of two digits"}
	}
	if fault != nil && allDigits(year) && len(year) == 4 {
		return 0, &dateFault{event.CodeBadDate, "there is no such day as " + quote(s)}
	}
	if fault != nil {
		return 0, bad
	}
	return d, nil
}

// readDate reads a date of an order, with the mapping's languages for months.
func (m *Mapping) readDate(s, order string, today event.Date) (event.Date, *dateFault) {
	if named(order) {
		return namedDate(s, order, m.Months, today, m.TwoDigits)
	}
	return parseDate(s, order, today, m.TwoDigits)
}
