package repro

// reasonText says a reason code in words.
func reasonText(code string) string { return reasonTexts[code] }

var reasonTexts = map[string]string{
	"": "",
}
