package scpi

// Error numbers of SCPI-1999 volume 2, 21.8.
const (
	noError             = 0
	commandError        = -100
	invalidCharacter    = -101
	syntaxError         = -102
	invalidSeparator    = -103
	dataType            = -104
	parameterNotAllowed = -108
	missingParameter    = -109
	mnemonicTooLong     = -112
	undefinedHeader     = -113
	suffixOutOfRange    = -114
	invalidNumber       = -121
	invalidSuffix       = -131
	executionError      = -200
	settingsConflict    = -221
	outOfRange          = -222
	illegalValue        = -224
	dataStale           = -230
	queueOverflow       = -350
	inputOverrun        = -363
	queryError          = -400
)

// errorText is the standard's text of an error number.
func errorText(code int) string {
	switch code {
	case noError:
		return "No error"
	case commandError:
		return "Command error"
	case invalidCharacter:
		return "Invalid character"
	case syntaxError:
		return "Syntax error"
	case invalidSeparator:
		return "Invalid separator"
	case dataType:
		return "Data type error"
	case parameterNotAllowed:
		return "Parameter not allowed"
	case missingParameter:
		return "Missing parameter"
	case mnemonicTooLong:
		return "Program mnemonic too long"
	case undefinedHeader:
		return "Undefined header"
	case suffixOutOfRange:
		return "Header suffix out of range"
	case invalidNumber:
		return "Invalid character in number"
	case invalidSuffix:
		return "Invalid suffix"
	case executionError:
		return "Execution error"
	case settingsConflict:
		return "Settings conflict"
	case outOfRange:
		return "Data out of range"
	case illegalValue:
		return "Illegal parameter value"
	case dataStale:
		return "Data corrupt or stale"
	case queueOverflow:
		return "Queue overflow"
	case inputOverrun:
		return "Input buffer overrun"
	case queryError:
		return "Query error"
	}
	return "Device-specific error"
}

// queueLength is how many errors are kept; the last becomes -350 when more come (SCPI-1999 volume 2, 21.8.1, from memory: at least two).
const queueLength = 20

// fail puts an error into the queue and its class into the event register.
func (s *Instrument) fail(code int) {
	switch {
	case code <= -400:
		s.esr |= esrQuery
	case code <= -300:
		s.esr |= esrDevice
	case code <= -200:
		s.esr |= esrExecution
	default:
		s.esr |= esrCommand
	}
	if len(s.errors) == queueLength {
		s.errors[queueLength-1] = queueOverflow
		return
	}
	s.errors = append(s.errors, code)
}
