package sheet

import (
	"strings"
	"unicode/utf8"

	"byrelog.example/internal/event"
)

// role is what a column of a foreign sheet seems to hold.
type role string

const (
	roleAnimal    role = "animal"
	roleKey       role = "key"
	roleDate      role = "date" // of whatever the row tells
	roleKind      role = "kind"
	roleResult    role = "result"
	roleBy        role = "by"
	roleSire      role = "sire"
	roleStraw     role = "straw"
	roleMethod    role = "method"
	roleSemen     role = "semen"
	roleNote      role = "note"
	roleParity    role = "parity"
	rolePen       role = "pen"
	roleBreed     role = "breed"
	roleSex       role = "sex"
	roleCalf      role = "calf"
	roleEase      role = "ease"
	roleTime      role = "at"
	roleHow       role = "how"
	roleDam       role = "dam"
	roleTag       role = "official_id"
	roleDaysPreg  role = "days_pregnant"
	roleBorn      role = "born_on"
	roleArrived   role = "arrival"
	roleCalved    role = "calving"
	roleHeat      role = "heat"
	roleBred      role = "breeding"
	roleChecked   role = "pregnancy_diagnosis"
	roleLost      role = "pregnancy_loss"
	roleDry       role = "dry_off"
	roleLeft      role = "departure"
	roleDue       role = "due" // a date that the log works out itself
	roleTimesBred role = "times bred"
	roleReading   role = "reading"
	roleChalk     role = "chalk"
	roleTone      role = "tone"
	roleMucus     role = "mucus"
)

// isDate tells whether a column of the role holds dates.
func (r role) isDate() bool {
	switch r { //nolint:exhaustive // the others are no dates
	case roleDate, roleDue, roleBorn:
		return true
	}
	_, ok := r.event()
	return ok
}

// event is the kind of event that a date of the role is of.
func (r role) event() (event.Kind, bool) {
	if r == roleBorn {
		return event.KindArrival, true
	}
	return event.ParseKind(string(r))
}

// columnWords are the stems by which columns are named, in the languages of
// which we know some: trade words of common use, no source. A phrase holds if
// each of its words begins one of the name's.
var columnWords = []struct {
	role    role
	phrases string // separated by commas
}{
	{roleTimesBred, "times bred, services, no services, nombre ia, anzahl bes, nr services, num servicios"},
	{roleReading, "reading, heat reading, read, read as, tail reading, heat check, brunstbeobachtung, lecture"},
	{roleChalk, "chalk, tail chalk, paint, tail paint, crayon, kreide, craie, tiza, pintura, krijt"},
	{roleTone, "tone, uterine tone, tone of the uterus, tonus, uterus tonus, tono"},
	{roleMucus, "mucus, vaginal mucus, discharge, schleim, glaire, moco, slijm, muco"},
	{roleDaysPreg, "days pregnant, days carried, days bred, trächtigkeitstage, jours gestation, dias gestacion, días gestación"},
	{roleDue, "due, expected calving, erwartet, voraussichtlich, prévu, prevista, esperado, verwacht, term"},
	{roleBorn, "born, birth, dob, geboren, geburt, né, née, naissance, nacida, nacimiento, geboorte, nascita, nascimento, fødsel, född"},
	{roleCalf, "calf, calves, kalb, kälber, veau, ternero, cría, cria, kalf, vitello, bezerro, kalv"},
	{roleEase, "ease, calving ease, difficulty, kalbeverlauf, verlauf, facilité, facilidad, difficoltà, verloop"},
	{roleCalved, "calved, calving, fresh, freshened, kalbung, abgekalbt, abkalbung, kalbedatum, kalbe, vêlage, velage, vêlée, parto, parición, paricion, afgekalfd, afkalf, gekalfd, kalving, kælvning"},
	{roleHeat, "heat, oestrus, estrus, brunst, chaleur, celo, tocht, tochtig, calore, cio, brunst"},
	{roleChecked, "checked, check, preg check, pregnancy check, diagnosis, diagnosed, pd, exam, examined, untersucht, trächtigkeits, tu, écho, echo, diagnostic, constat, diagnóstico, diagnostico, palpación, tacto, drachtcontrole, drachtigheid, scanned"},
	{roleLost, "aborted, abortion, loss, lost, verworfen, verkalbt, abort, avortement, avorté, aborto, verworpen"},
	{roleDry, "dry, dried, dry off, trocken, trockengestellt, tarie, tarissement, seca, secado, droog, drooggezet, asciutta, tør, sin"},
	{roleHow, "why left, how left, reason, cause, grund, abgangsgrund, ursache, motif, motivo, razón, reden"},
	{roleLeft, "left, sold, culled, died, exit, departure, departed, disposal, verkauft, abgang, abgegangen, sortie, vendue, réformée, baja, salida, venta, afgevoerd, uscita, saída"},
	{roleArrived, "arrived, arrival, bought, purchased, entered, entry, zugang, zugekauft, entrée, achetée, achat, alta, entrada, compra, aankoop, ingresso"},
	{roleMethod, "method, methode, méthode, método, metodo, art der"},
	{roleSemen, "semen, sperma, samen, semence, semen type"},
	{roleStraw, "straw, paillette, pajilla, pajuela, rietje, paglietta"},
	{roleSire, "bull, sire, stier, bulle, taureau, toro, touro, tyr, tjur, stierkeuze, bulls, vater"},
	{roleBred, "bred, breeding, served, service, serviced, inseminated, insemination, ai date, besamt, besamung, belegt, belegung, deckung, saillie, inséminée, ia, iap, inseminación, inseminacion, servicio, insemin, geïnsemineerd, dekking, fecondazione, cobertura"},
	{roleBy, "tech, technician, by, inseminator, operator, done by, techniker, besamer, opérateur, operateur, inséminateur, técnico, tecnico, inseminador, uitgevoerd, recorded by, vet, who"},
	{roleNote, "note, notes, remark, remarks, comment, comments, bemerkung, notiz, anmerkung, remarque, observation, observación, observaciones, nota, notas, opmerking, commento, anmärkning"},
	{roleParity, "parity, lact, lactation, lactations, laktation, lakt, lactación, lactancia, rang, lattazione, calvings, pariteit"},
	{rolePen, "pen, group, stall, barn, lot, gruppe, bucht, abteil, groupe, corral, grupo, lote, groep, hok, gruppo, box"},
	{roleBreed, "breed, rasse, race, raza, ras, razza, raça"},
	{roleSex, "sex, geschlecht, sexe, sexo, geslacht, sesso"},
	{roleTag, "ear tag, eartag, official, official id, ohrmarke, lebensnummer, numéro national, identification, arete, crotal, oormerk, levensnummer, marca"},
	{roleDam, "dam, mother, mutter, mère, mere, madre, moeder"},
	{roleKind, "event, what, action, activity, type, code, ereignis, vorgang, maßnahme, événement, evenement, acte, evento, suceso, gebeurtenis, hændelse"},
	{roleResult, "result, outcome, finding, verdict, status, ergebnis, befund, résultat, resultat, resultado, uitslag, resultaat, esito, risultato"},
	{roleTime, "time, hour, uhrzeit, zeit, heure, hora, tijd, ora"},
	{roleAnimal, "cow, cow no, cow number, animal, kuh, kuhnummer, tier, tiernummer, stallnummer, vache, animal no, vaca, koe, koenummer, diernummer, vacca, ko, number, n vache, bovin, heifer"},
	{roleDate, "date, day, datum, tag, jour, fecha, data, dato, when, dag"},
	{roleKey, "id, record, no, nr, n, line, row, fiche, ref, reference, lfd, zeile, entry no, registro, key, num"},
}

// roleOf finds what a column's name says it is: the role whose phrase covers
// most of the name. date tells whether its cells are dates, which a name alone
// does not: the role must agree. word is the phrase that told.
func roleOf(name string, date bool) (found role, phrase string) {
	words := strings.FieldsFunc(foldHeader(name), func(r rune) bool { return strings.ContainsRune(" ./()#°º'’", r) })
	best := 0
	for _, c := range columnWords {
		if c.role.isDate() != date {
			continue
		}
		for _, p := range strings.Split(c.phrases, ",") {
			p = strings.TrimSpace(p)
			if s := covers(strings.Fields(p), words); s > best {
				best, found, phrase = s, c.role, p
			}
		}
	}
	return found, phrase
}

// covers scores how much of a name a phrase stands for: its letters, and more
// where it is the whole name; 0 if one of its words is not there.
func covers(phrase, words []string) int {
	score, used := 0, 0
	for _, p := range phrase {
		hit := false
		for _, w := range words {
			if w == p || utf8.RuneCountInString(p) >= 4 && strings.HasPrefix(w, p) {
				hit = true
				score += 2 * utf8.RuneCountInString(p)
				if w == p {
					score++
				}
				break
			}
		}
		if !hit {
			return 0
		}
		used++
	}
	if used == len(words) {
		score += 20
	}
	return score
}

// wordBook are words of common use and what they mean for a field of the log;
// trade words in several languages, no source. Among the words for events are none that
// are only the short code of some program's export: what such a code means is for
// whoever has the sheet to say.
var wordBook = map[string]map[string]string{
	"kind": {
		"arrival":             "arrival, arrived, bought, purchased, born, birth, entered, zugang, zukauf, geburt, entrée, achat, naissance, alta, compra, nacimiento, aankoop, geboorte",
		"calving":             "calving, calved, calf, fresh, freshened, kalbung, abkalbung, kalben, gekalbt, vêlage, velage, vêl, parto, parición, afkalving, gekalfd, kalving",
		"pregnancy_loss":      "abortion, aborted, abort, loss, verwerfen, verkalbt, avortement, aborto, verworpen",
		"heat":                "heat, in heat, oestrus, estrus, brunst, brünstig, chaleur, celo, tocht, tochtig, calore",
		"palpation":           "palpation, palpated, palpiert, palpación",
		"pregnancy_diagnosis": "diagnosis, preg check, pregnancy check, pregnancy diagnosis, checked, check, scan, scanned, ultrasound, trächtigkeitsuntersuchung, ultraschall, écho, echo, échographie, diagnostic, diagnóstico, ecografía, tacto, drachtcontrole, scan",
		"breeding_stop":       "do not breed, breeding stop, zuchtausschluss",
		"treatment":           "treatment, treated, injection, behandlung, traitement, tratamiento, behandeling",
		"size":                "size, weighed, weight",
		"breeding":            "breeding, bred, served, service, ai, a.i., insemination, inseminated, natural, natural service, bull, besamung, besamt, deckung, gedeckt, natursprung, ia, insémination, saillie, monte, inseminación, monta, servicio, k.i., inseminatie, dekking",
		"dry_off":             "dry, dry off, dried, dried off, trocken, trockenstellen, trockengestellt, tarissement, tarie, secado, seca, droogzetten, droog",
		"move":                "move, moved, pen change, group change, umstallung, umgestallt, déplacement, changement de lot, traslado, verplaatst",
		"departure":           "departure, left, sold, sale, culled, cull, died, death, dead, abgang, verkauft, verkauf, verendet, geschlachtet, sortie, vente, vendue, réforme, morte, mort, venta, vendida, muerte, baja, verkocht, gestorven, afvoer",
	},
	"breeding method": {
		"ai":      "ai, a.i., insemination, inseminated, besamung, bes, kb, besamt, ia, iap, insémination, inseminación, ki, k.i., inseminatie, artificial",
		"natural": "natural, natural service, bull, deckung, gedeckt, natursprung, saillie, monte, monta, dekking, monte naturelle",
		"embryo":  "embryo, et, embryo transfer, embryotransfer, transfert embryonnaire",
	},
	"diagnosis method": {
		"ultrasound": "ultrasound, scan, scanned, us, ultraschall, écho, echo, échographie, ecografía, ecografia, scannen",
		"palpation":  "palpation, palpated, manual, rectal, hand, tacto, palpación, rektal, palper",
		"blood":      "blood, blut, sang, sangre, bloed", "milk": "milk, milch, lait, leche, melk",
	},
	"chalk": {
		"intact":    "intact, whole, untouched, full, unberührt, intacte, intacta",
		"disturbed": "disturbed, smeared, smudged, partly rubbed, partial, part, verwischt, effacée en partie, corrida",
		"rubbed":    "rubbed, rubbed off, rubbed out, abgerieben, frottée, borrada",
		"gone":      "gone, all gone, missing, none left, weg, disparue, sin pintura",
	},
	"tone": {
		"none":   "none, no, no tone, slack, soft, flabby, kein, aucun, nula, 0, -",
		"some":   "some, slight, little, medium, moderate, weak, etwas, moyen, media, 1, +",
		"strong": "strong, firm, high, good, turgid, stark, fort, fuerte, 2, 3, ++, +++",
	},
	"mucus": {
		"none":   "none, no, dry, kein, aucune, nada, 0, -",
		"clear":  "clear, clean, glassy, klar, claire, claro, limpio",
		"cloudy": "cloudy, milky, turbid, trüb, trouble, turbio",
		"bloody": "bloody, blood, red, blutig, sanglant, sangre",
		"pus":    "pus, purulent, eitrig, purulente",
	},
	"felt": {
		"in_heat":     "heat, in heat, yes, y, ready, brünstig, chaleur, celo",
		"not_in_heat": "not in heat, no heat, no, n, nein, non",
		"pregnant":    "pregnant, in calf, preg, trächtig, pleine, preñada",
		"unclear":     "unclear, ?, doubtful, not sure, again, fraglich, douteuse, dudosa",
	},
	"verdict": {
		"in_heat":     "yes, y, heat, in heat, standing, ja, oui, sí, si, x, +, positive, brünstig, 1",
		"suspect":     "suspect, maybe, doubtful, ?, questionable, fraglich, verdacht, douteuse, dudosa, twijfel, perhaps",
		"not_in_heat": "no, n, not in heat, nein, non, nee, -, negative, none, 0",
	},
	"result": {
		"pregnant": "pregnant, preg, p, p+, +, pos, positive, yes, in calf, trächtig, tragend, t, oui, pleine, gestante, preñada, ja, drachtig, gravida, 1",
		"open":     "open, o, p-, -, neg, negative, no, empty, not pregnant, leer, nicht trächtig, non, vide, vacía, vacia, nein, gust, leeg, vuota, 0",
		"unclear":  "?, unclear, recheck, check again, doubtful, fraglich, nachuntersuchen, douteuse, à revoir, dudosa, revisar, twijfel",
	},
	"arrival how": {
		"born":      "born, birth, home, own, geboren, eigene, née, né, naissance, nacida, geboren, nata",
		"purchased": "purchased, bought, purchase, zukauf, zugekauft, gekauft, achetée, achat, comprada, compra, aankoop, gekocht",
	},
	"departure how": {
		"sold":        "sold, sale, verkauft, verkauf, vendue, vente, vendida, venta, verkocht, venduta",
		"culled":      "culled, cull, slaughter, slaughtered, beef, geschlachtet, schlachtung, réformée, réforme, abattue, descarte, sacrificio, geslacht, afvoer",
		"died":        "died, death, dead, verendet, tot, morte, mort, muerta, muerte, gestorven, dood",
		"transferred": "transferred, moved, umgestallt, transférée, traslado",
	},
	"calf sex": {
		"female": "f, female, heifer, h, cow calf, w, weiblich, kuhkalb, femelle, génisse, hembra, ternera, vaars, vaarskalf, femmina, ♀",
		"male":   "m, male, bull, b, bull calf, männlich, stierkalb, bullenkalb, mâle, taurillon, macho, ternero, stier, stierkalf, maschio, ♂",
		"":       "dead, stillborn, d, born dead, tot, totgeburt, mort-né, mort, muerto, dood, doodgeboren",
	},
	"calf outcome": {
		"alive":     "f, female, heifer, h, cow calf, w, weiblich, kuhkalb, femelle, génisse, hembra, ternera, vaars, vaarskalf, femmina, ♀, m, male, bull, b, bull calf, männlich, stierkalb, bullenkalb, mâle, taurillon, macho, ternero, stier, stierkalf, maschio, ♂, alive, live, lebend, vivant, vivo, levend",
		"stillborn": "dead, stillborn, d, born dead, tot, totgeburt, mort-né, mort, muerto, dood, doodgeboren",
	},
	"half": {
		"am": "am, a.m., morning, m, morgens, früh, matin, mañana, ochtend",
		"pm": "pm, p.m., evening, afternoon, abends, abend, soir, tarde, avond, e",
	},
	"sex": {
		"female": "f, female, cow, heifer, w, weiblich, femelle, hembra, v, vrouwelijk, ♀", "male": "m, male, bull, männlich, mâle, macho, mannelijk, ♂",
	},
	"semen": {
		"conventional": "conventional, conv, c, konventionell, conventionnelle", "sexed_female": "sexed, sexed female, s, gesext, sexée, sexado",
		"sexed_male": "sexed male", "beef": "beef, b, fleisch, viande, carne",
	},
}

// meanings is wordBook turned about: for each field the folded words.
var meanings = func() map[string]map[string]string {
	out := map[string]map[string]string{}
	for field, byMeaning := range wordBook {
		out[field] = map[string]string{}
		for _, m := range sortedKeys(byMeaning) {
			for _, w := range strings.Split(byMeaning[m], ", ") {
				if _, twice := out[field][foldWord(w)]; !twice {
					out[field][foldWord(w)] = m
				}
			}
		}
	}
	return out
}()
