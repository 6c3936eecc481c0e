package logfile

import (
	"fmt"
	"testing"
)

func plural(s string) string { return s + "s" }

// say writes a meaning in few words.
func say(m meaning) string {
	name := [...]string{none: "-", voltage: "voltage", current: "current", power: "power", charge: "charge", energy: "energy",
		temperature: "temperature", duration: "time", counts: "counts", unjudged: "unjudged"}[m.of]
	if a := [...]string{plain: "", elapsedTime: " elapsed", upTime: " uptime", dateOnly: " date", timeOfDay: " tod", wholeStamp: " stamp",
		unixTime: " unix", tickCount: " tick", rowIndex: " index", phaseName: " phase"}[m.aspect]; a != "" {
		name += a
	}
	if m.hasUnit && m.unit.name != "" {
		name += " " + m.unit.name
	}
	switch {
	case m.mayBeIn && m.direction == 0:
		name += " in?"
	case m.direction > 0:
		name += " in"
	case m.direction < 0:
		name += " out"
	}
	if m.channel != 1 {
		name += fmt.Sprintf(" ch%d", m.channel)
	}
	if m.perStep {
		name += " per-step"
	}
	if m.weak {
		name += " weak"
	}
	if m.order != unsettled {
		name += " " + m.order.String()
	}
	if m.clash {
		return "clash"
	}
	if m.ignored {
		return "ignored"
	}
	return name
}

// The words are those of the trade in four languages, from memory; the units are SI and what accepted use writes.
func TestHeaderWords(t *testing.T) {
	for _, c := range []struct{ header, want string }{
		// units alone
		{"V", "voltage V"}, {"A", "current A"}, {"mA", "current mA"}, {"W", "power W"}, {"Ah", "charge Ah"}, {"mAh", "charge mAh"}, {"Wh", "energy Wh"},
		{"mWh", "energy mWh"}, {"kWh", "energy kWh"}, {"As", "charge A·s"}, {"A·s", "charge A·s"}, {"A.s", "charge A·s"}, {"J", "energy W·s"}, {"ms", "time ms"}, {"us", "time us"}, {"µs", "time us"},
		{"s", "time s"}, {"min", "time min"}, {"h", "time h"}, {"volts", "voltage V"}, {"amps", "current A"}, {"ah", "charge Ah"}, {"wh", "energy Wh"}, {"amp hours", "charge Ah"}, {"watt hours", "energy Wh"},
		{"U V", "voltage V"}, {"I A", "current A"}, {"Q mAh", "charge mAh"}, {"u V", "voltage V"}, {"m A", "current mA"},
		{"Coulomb", "charge A·s"}, {"°C", "temperature degC"}, {"C", "ignored"},
		{"Qin/Ah", "charge Ah in"}, {"Qout/Ah", "charge Ah out"}, {"Qnet/Ah", "charge Ah"}, {"Ein/Wh", "energy Wh in"}, {"Eout (Wh)", "energy Wh out"}, {"Enet [mWh]", "energy mWh"},
		{"Qtot_mAh", "charge mAh"}, {"Qneg Ah", "charge Ah out"}, {"Iin", "current in"},
		{"C_Ah", "charge Ah"}, {"C mAh", "charge mAh"}, {"V_mV", "voltage mV"}, {"A mA", "current mA"}, {"W_mW", "power mW"}, {"V (mV)", "voltage mV"},
		{"amp-hours", "charge Ah"}, {"Capacity amp hours", "charge Ah"}, {"used (watt hours)", "energy Wh out"}, {"mA h", "charge mAh"}, {"kilowatt hours", "energy kWh"}, {"millivolts", "voltage mV"}, {"uA", "current uA"}, {"uAh", "charge uAh"},
		{"Sekunden", "time s"}, {"heures", "time h"}, {"horas", "time h"}, {"minutos", "time min"}, {"Stunden", "time h"}, {"d", "time d"}, {"ns", "time ns"}, {"voltios", "voltage V"}, {"amperios", "current A"}, {"vatios", "power W"}, {"Wattstunden", "energy Wh"}, {"Amperestunden", "charge Ah"},
		{"Ampèreheures", "charge Ah"}, {"julios", "energy W·s"}, {"culombios", "charge A·s"}, {"kJ", "energy kW·s"}, {"mC", "charge mA·s"}, {"kelvin", "temperature K"}, {"Vshunt", "ignored"}, {"I_set", "ignored"}, {"Iset", "ignored"}, {"Iout", "current out"}, {"Pload", "power"}, {"Vcell", "voltage weak"},
		// of what is no battery
		{"speed km/h", "ignored"}, {"v (m/s)", "ignored"}, {"pressure hPa", "ignored"}, {"irradiance W/m2", "ignored"}, {"Wh/km", "ignored"}, {"AC V", "ignored"}, {"AC power (W)", "ignored"}, {"time to go h", "ignored"},
		{"PV V", "voltage V weak"}, {"t/h", "time h"},
		// letters
		{"t", "time"}, {"U", "voltage"}, {"I", "current"}, {"P", "power"}, {"Q", "charge"}, {"E", "energy"}, {"T", "temperature"}, {"T (s)", "time s"}, {"T/K", "temperature K"},
		{"U/V", "voltage V"}, {"I / mA", "current mA"}, {"Q/Ah", "charge Ah"}, {"I_A", "current A"}, {"t_s", "time s"}, {"T_C", "temperature degC"},
		// English
		{"Voltage (V)", "voltage V"}, {"Current [mA]", "current mA"}, {"current_mA", "current mA"}, {"Current", "current"}, {"Battery Voltage", "voltage"}, {"bus_V", "voltage V"}, {"time_s", "time s"},
		{"elapsed", "time elapsed"}, {"Elapsed time (s)", "time elapsed s"}, {"uptime", "time uptime"}, {"tick", "time tick"}, {"ticks", "time tick"}, {plural("milli"), "time ms"}, {plural("micro") + "()", "time tick us"}, {"date", "time date"},
		{"Date/Time", "time stamp"}, {"Date Time", "time stamp"}, {"timestamp", "time stamp"}, {"Unix", "time unix"}, {"unix_time", "time unix"}, {"epoch", "time unix"}, {"clock", "time tod"}, {"Capacity (Ah)", "charge Ah"}, {"capacity_Ah", "charge Ah"},
		{"Charge Ah", "charge Ah in?"}, {"Discharge Ah", "charge Ah out"}, {"Discharge capacity (Ah)", "charge Ah out"}, {"Charge capacity(Ah)", "charge Ah in"}, {"Charge energy (Wh)", "energy Wh in"}, {"Discharge Energy(Wh)", "energy Wh out"},
		{"charge current", "current in"}, {"Load current (A)", "current A out"}, {"charge_Wh", "energy Wh in"}, {"mAh_out", "charge mAh out"}, {"AhOut", "charge Ah out"}, {"mAhIn", "charge mAh in"}, {"Ah+", "charge Ah in"}, {"Ah-", "charge Ah out"},
		{"Ah (+)", "charge Ah in"}, {"-Ah", "charge Ah out"}, {"energy_out_mWh", "energy mWh out"}, {"currentMa", "current mA"}, {"battVoltage", "voltage"}, {"dischargeAh", "charge Ah out"}, {"elapsedMs", "time elapsed ms"},
		{"Vbat", "voltage"}, {"Ibatt_mA", "current mA"}, {"discharged", "charge out"}, {"net_Ah", "charge Ah"}, {"currentmA", "current mA"}, {"Current, A", "current A"}, {"CURRENT_MA", "current mA"}, {"VOLTAGE_MV", "voltage mV"},
		{"V1", "voltage V"}, {"A2", "current A ch2"}, {"I2", "current ch2"}, {"current ch2", "current ch2"}, {"Current 3 (A)", "current A ch3"}, {"ch4_Ah", "charge Ah ch4"}, {"Voltage (2)", "voltage ch2"}, {"Kanal 2 Strom mA", "current mA ch2"},
		{"step_time_s", "time elapsed s per-step"}, {"step Ah", "charge Ah per-step"}, {"mode", "- phase"}, {"Step", "- phase"}, {"State", "- phase"}, {"row", "- index"}, {"#", "- index"}, {"No.", "- index"},
		{"SOC (%)", "ignored"}, {"Cutoff V", "ignored"}, {"Remaining (Ah)", "ignored"}, {"shunt_mV", "ignored"}, {"R (mohm)", "ignored"}, {"V min", "voltage V weak"}, {"Cell 1 V", "voltage V weak"}, {"Current (mV)", "clash"}, {"Capacity (Wh)", "energy Wh"},
		{"Temp", "temperature"}, {"Temp C", "temperature degC"}, {"temp_degC", "temperature degC"}, {"Temperature (°F)", "temperature degF"}, {"Power (W)", "power W"}, {"power_mW", "power mW"}, {"foo", "-"},
		{"Date (dd/mm/yyyy)", "time date day/month/year"}, {"date [MM/DD/YYYY]", "time date month/day/year"},
		{"dV", "ignored"}, {"dE [mWh]", "ignored"}, {"dQ", "ignored"}, {"dt_ms", "ignored"}, {"dAh", "ignored"}, {"ΔV", "ignored"}, {"interval (s)", "ignored"}, {"volts_x100", "ignored"}, {"V*100", "ignored"}, {"Wh x 1000", "ignored"}, {"V × 10", "ignored"}, {"raw_current", "ignored"}, {"Cycle Index", "- index"}, {"Q+ [mAh]", "charge mAh in"},
		{"Charge_Capacity(Ah)", "charge Ah in"}, {"Discharge_Energy(Wh)", "energy Wh out"}, {"epoch_ms", "time unix ms"}, {"uptime_ms", "time uptime ms"}, {"Sekunden seit Start", "time elapsed s"}, {"Entladene Kapazität", "charge out"},
		{"Ah descargados", "charge Ah out"}, {"Ah cargados", "charge Ah in"}, {"Capacité déchargée (Ah)", "charge Ah out"}, {"mA/h", "clash"}, {"VOLTS", "voltage V"}, {"MAH", "charge mAh"}, {"V[2]", "voltage V ch2"},
		// German
		{"Spannung", "voltage"}, {"Spannung in V", "voltage V"}, {"Strom [mA]", "current mA"}, {"Zeit", "time"}, {"Zeit (s)", "time s"}, {"Kapazität (mAh)", "charge mAh"}, {"Kapazitaet", "charge"}, {"Ladung [Ah]", "charge Ah in?"},
		{"Entladung [Ah]", "charge Ah out"}, {"Energie in Wh", "energy Wh in?"}, {"Leistung W", "power W"}, {"Datum", "time date"}, {"Uhrzeit", "time tod"}, {"Datum/Uhrzeit", "time stamp"}, {"Datum Zeit", "time stamp"}, {"Laufzeit", "time elapsed"},
		{"Entladestrom (A)", "current A out"}, {"Batteriespannung", "voltage"}, {"Entladekapazität Ah", "charge Ah out"}, {"Ladeenergie Wh", "energy Wh in"}, {"entnommen Ah", "charge Ah out"}, {"Zeitstempel", "time stamp"}, {"Temperatur", "temperature"},
		{"Zellspannung 2", "voltage ch2 weak"}, {"Datum (TT.MM.JJJJ)", "time date day/month/year"}, {"Ladezustand %", "ignored"}, {"lfd. Nr.", "- index"},
		// French
		{"Tension (V)", "voltage V"}, {"Courant (mA)", "current mA"}, {"Intensité (A)", "current A"}, {"Temps (s)", "time s"}, {"temps", "time"}, {"Charge (Ah)", "charge Ah in?"}, {"Décharge (Ah)", "charge Ah out"}, {"Énergie (Wh)", "energy Wh"},
		{"Puissance [W]", "power W"}, {"Heure", "time tod"}, {"Date et heure", "time stamp"}, {"Durée", "time elapsed"}, {"Courant de charge (A)", "current A in"}, {"Capacité mAh", "charge mAh"}, {"Température", "temperature"},
		{"Courant en mA", "current mA"}, {"horodatage", "time stamp"},
		// Spanish
		{"Voltaje (V)", "voltage V"}, {"Tensión [mV]", "voltage mV"}, {"Corriente (mA)", "current mA"}, {"Tiempo (s)", "time s"}, {"Carga (Ah)", "charge Ah in?"}, {"Descarga (Ah)", "charge Ah out"}, {"Energía (Wh)", "energy Wh"}, {"Potencia W", "power W"},
		{"Fecha", "time date"}, {"Hora", "time tod"}, {"Fecha y hora", "time stamp"}, {"Capacidad", "charge"}, {"Intensidad", "current"}, {"Duración", "time elapsed"}, {"Corriente de descarga", "current out"},
	} {
		if got := say(readHeader(c.header)); got != c.want {
			t.Errorf("%q: %s, want %s", c.header, got, c.want)
		}
	}
}
