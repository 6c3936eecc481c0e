// Package firmware holds the logger's side of the bench link in C: the header that any firmware includes, a healthy logger that
// uses it, and the host program that runs a chip's firmware in a simulator.
package firmware

import _ "embed"

// Header is benchlink.h: C99, no allocation.
//
//go:embed benchlink.h
var Header []byte

// Logger is host/logger.c: a healthy logger for a host build, to start from.
//
//go:embed host/logger.c
var Logger []byte
