# The coupled thermal cell by SciPy's DOP853 (solve_ivp), written from the equations of DESIGN section 6 and nothing else:
#   v = OCV(z) + dOCV·(T-Tref) + v1 + v2 + R0·w(T)·r(z)·i,  w(T) = exp(-a·(T-Tref))
#   dz/dt = i/Q,  dvk/dt = (Rk·w(T)·i - vk)/tauk,  C·dT/dt = i²·R0·w·r(z) + sum vk²/(Rk·w) - (T-Ta)/Rth
# Reads one JSON object from standard input, writes one with t, v, T and z.
import json, math, sys
from scipy.integrate import solve_ivp
from scipy.interpolate import CubicHermiteSpline
from scipy.optimize import brentq

c = json.load(sys.stdin)
ocv = CubicHermiteSpline(c["z"], c["ocv"], c["ocv_slope"])
r0 = CubicHermiteSpline(c["rz"], c["r"], c["r_slope"])
warm = lambda T: math.exp(-c["a"] * (T - c["reference"]))


def still(s):  # voltage without the drop across R0
    return float(ocv(s[0])) + c["ocv_per_kelvin"] * (s[3] - c["reference"]) + s[1] + s[2]


def current(s):
    e, r = still(s), c["R0"] * warm(s[3]) * float(r0(s[0]))
    if c["law"] == "current":
        return -c["level"]
    if c["law"] == "resistance":
        return -e / (r + c["level"])
    # power: v·i = -level with the smaller current of the two, by a bracket that ends at the greatest power
    return brentq(lambda i: (e + r * i) * i + c["level"], -e / (2 * r), 0, xtol=1e-15, rtol=1e-15)


def rate(_, s):
    i, w = current(s), warm(s[3])
    heat = i * i * c["R0"] * w * float(r0(s[0]))
    out = [i / c["Q"]]
    for v, (R, tau) in zip(s[1:3], c["pairs"]):
        out.append((R * w * i - v) / tau)
        heat += v * v / (R * w)
    return out + [(heat - (s[3] - c["ambient"]) / c["Rth"]) / c["Cth"]]


s = solve_ivp(rate, (0, c["seconds"]), [1, 0, 0, c["ambient"]], method="DOP853", rtol=1e-11, atol=1e-12,
              t_eval=[c["seconds"] * k / 20 for k in range(1, 21)])
assert s.success, s.message
volts = lambda x: still(x) + c["R0"] * warm(x[3]) * float(r0(x[0])) * current(x)
json.dump({"t": list(s.t), "v": [volts(x) for x in s.y.T], "T": list(s.y[3]), "z": list(s.y[0])}, sys.stdout)
