// Package page holds the markup of every screen. A component takes a struct of what is displayed, already formatted:
// no request, no query and no arithmetic of paint happens here.
package page

import "strconv"

func swatchRole(label string) string {
	if label == "" {
		return "presentation"
	}
	return "img"
}

func swatchHidden(label string) string { return strconv.FormatBool(label == "") }
