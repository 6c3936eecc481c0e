# A whole capacity test over the wire, with general-purpose parts only: python3-pyvisa and pyvisa-py.
#   stuntcell emulate bench --dialect scpi --tcp 127.0.0.1:5025 --speed step
#   python3 capacity.py TCPIP::127.0.0.1::5025::SOCKET 0.35 10.5 600
# Discharges at so many amperes to the end voltage, looking every so many seconds, and prints the Ah. Simulated: no battery is connected to any of it.
import sys
import pyvisa

bench = pyvisa.ResourceManager("@py").open_resource(sys.argv[1], read_termination="\n", write_termination="\n", timeout=10000)
amps, end, far = float(sys.argv[2]), float(sys.argv[3]), float(sys.argv[4])

identity = bench.query("*IDN?").split(",")
assert len(identity) == 4, identity
bench.write("*RST;*CLS")
bench.write("LOAD:MODE CURR;CURR %g" % amps)
bench.write("SENS:CHAR:CLE")
bench.write("INP ON")
own = 0.0
rows = 0
volts = float(bench.query("MEAS:VOLT?"))
while True:
    step = far if volts > end + 0.8 else far / 10  # look more often near the end
    volts, current = (float(x) for x in bench.query("SYST:STEP %g;:MEAS:VOLT?;CURR?" % step).split(";"))
    own += -current * step / 3600
    rows += 1
    if volts <= end or rows > 100000:
        break
bench.write("INP OFF")
charge = -float(bench.query("MEAS:CHAR?"))
error = bench.query("SYST:ERR?")
assert error == '0,"No error"', error
assert abs(own - charge) < 0.002 * charge, (own, charge)
print("%.3f Ah in %d rows" % (charge, rows))
