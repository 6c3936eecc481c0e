package quantity

// IsName reports whether s can be a name in files and on command lines: small letters, digits and hyphens, beginning with a letter, at most 64.
func IsName(s string) bool {
	if s == "" || len(s) > 64 || s[0] < 'a' || s[0] > 'z' || s[len(s)-1] == '-' {
		return false
	}
	for i := range len(s) {
		c := s[i]
		if !(c >= 'a' && c <= 'z' || c >= '0' && c <= '9' || c == '-') {
			return false
		}
	}
	return true
}
