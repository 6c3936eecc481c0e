import sys

keys, last = {}, None
elapsed = due = charge = energy = 0.0
lost = 0

for line in sys.stdin:
    word, *rest = line.split()
    more = dict(x.split("=", 1) for x in rest if "=" in x)
    if word in ("stuntcell", "set"):
        keys.update((k, int(v)) for k, v in more.items())
    if word == "stuntcell":
        print("cannot load restore clock")
        print("row s,V,A,Ah,Wh")
    if word == "set":
        due = elapsed + keys["log_ms"] / 1000
    if word == "r" and "-" not in rest[1:3]:
        tick = int(rest[0])
        amps = int(rest[1]) * keys["shunt_step_nv"] / keys["shunt_nohm"]
        volts = int(rest[2]) * keys["bus_step_uv"] / 1e6
        if last:
            ticks = (tick - last[0]) % (1 << keys["tick_bits"])
            step = ticks / keys["tick_hz"]
            elapsed += step
            charge += (amps + last[1]) / 2 * step / 3600
            energy += (amps * volts + last[1] * last[2]) / 2 * step / 3600
        last = tick, amps, volts
        if elapsed >= due:
            while due <= elapsed:
                due += keys["log_ms"] / 1000
            if more.get("card") == "fail":
                lost += 1
                print("say lost", lost)
            else:
                print(f"row {elapsed:.3f},{volts:.3f},{amps:.4f},"
                      f"{charge:.5f},{energy:.4f}")
    print("ok", flush=True)
