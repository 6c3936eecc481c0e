package link

import (
	"fmt"
	"path/filepath"
	"strings"
)

// Words splits a command into words without a shell: blanks separate, single and double quotes keep together, a backslash
// outside single quotes keeps the next character. `{here}` stands for the directory here, and a first word that is a
// relative path is one below here. An error says which quote is open.
func Words(command, here string) ([]string, error) {
	var words []string
	var word strings.Builder
	var quote rune
	open, escaped := false, false
	for _, r := range command {
		switch {
		case escaped:
			word.WriteRune(r)
			escaped = false
		case r == '\\' && quote != '\'' && filepath.Separator == '/':
			escaped, open = true, true
		case quote != 0 && r == quote:
			quote = 0
		case quote == 0 && (r == '\'' || r == '"'):
			quote, open = r, true
		case quote == 0 && (r == ' ' || r == '\t' || r == '\n'):
			if open {
				words = append(words, word.String())
				word.Reset()
				open = false
			}
		default:
			word.WriteRune(r)
			open = true
		}
	}
	if quote != 0 {
		return nil, fmt.Errorf("the command ends inside a quote (%c): close it", quote)
	}
	if escaped {
		return nil, fmt.Errorf("the command ends with a backslash: write what it should keep after it")
	}
	if open {
		words = append(words, word.String())
	}
	if len(words) == 0 {
		return nil, fmt.Errorf("the command is empty: expected a program and its arguments")
	}
	for i, w := range words {
		words[i] = strings.ReplaceAll(w, "{here}", here)
	}
	if strings.ContainsRune(filepath.ToSlash(words[0]), '/') && !filepath.IsAbs(words[0]) {
		words[0] = filepath.Join(here, words[0])
	}
	return words, nil
}
