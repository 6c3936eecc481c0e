package quantity

import "strings"

// Nearest is the one of names that a slip of the fingers most likely turned into word, empty if none is near: at most one edit
// in three letters, letters' case ignored.
func Nearest(word string, names []string) string {
	if len(word) > 64 {
		return ""
	}
	best, at := "", len(word)/3+1
	for _, n := range names {
		if d := edits(strings.ToLower(word), strings.ToLower(n)); d < at || d == at && best == "" && d <= len(n)/2 {
			best, at = n, d
		}
	}
	return best
}

// edits is the number of letters to insert, delete, change or swap (neighbours) to turn a into b.
func edits(a, b string) int {
	before, row := make([]int, len(b)+1), make([]int, len(b)+1)
	next := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := 1; i <= len(a); i++ {
		next[0] = i
		for j := 1; j <= len(b); j++ {
			change := row[j-1]
			if a[i-1] != b[j-1] {
				change++
			}
			next[j] = min(change, row[j]+1, next[j-1]+1)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				next[j] = min(next[j], before[j-2]+1)
			}
		}
		before, row, next = row, next, before
	}
	return row[len(b)]
}
