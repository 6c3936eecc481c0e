# A small capacity logger that reads plain lines TICK,SHUNT,BUS,CLOCK and prints its log (healthy).
# The constants are those of the rig shop-50a, as `stuntcell record` says them.
#   stuntcell record discharge-20h -o in.csv
#   awk -f stream.awk in.csv > log.csv
#   stuntcell prove discharge-20h --log log.csv
BEGIN {
	FS = ","
	amps_per_count = 6000 / 1500000
	volts_per_count = 3000 / 1000000
	wrap = 4294967296 # the counter has 32 bits; awk counts in doubles, exact up to 2^53
	every = 10        # seconds between rows
	print "tick,V,A,Ah,Wh"
}
{
	now = $1
	good = $2 != "-" && $3 != "-"
	if (good) {
		amps = $2 * amps_per_count
		volts = $3 * volts_per_count
	}
	if (seen) {
		step = now - last
		if (step < 0) step += wrap
		elapsed += step / 1000
		since += step / 1000
	}
	if (good) {
		if (any) {
			charge += (amps + last_amps) / 2 * since
			energy += (amps * volts + last_amps * last_volts) / 2 * since
		}
		any = 1
		since = 0
		last_amps = amps
		last_volts = volts
		if (elapsed >= due) {
			printf "%.0f,%.3f,%.4f,%.6f,%.5f\n", now, volts, amps, charge / 3600, energy / 3600
			while (due <= elapsed) due += every
		}
	}
	seen = 1
	last = now
}
