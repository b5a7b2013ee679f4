"""Writes scipy_reference.csv: figures of the SciPy library to compare with.

    python3 scipy_reference.py > scipy_reference.csv

Columns: what, up to four arguments, the value. Made with the SciPy release named in the first line.
"""

import math

import numpy
import scipy
from scipy import integrate, stats

print(f"# scipy {scipy.__version__}, numpy {numpy.__version__}")
print("what,a,b,c,d,value")


def row(what, *arguments, value):
    cells = [f"{x!r}" for x in arguments] + ["0"] * (4 - len(arguments))
    print(",".join([what, *cells, f"{float(value)!r}"]))


# Wilson intervals: hits, of, level.
for hits, of in [(12, 150), (6, 32), (0, 20), (20, 20), (1, 29), (183, 200), (1, 1), (81, 263), (5000, 10000)]:
    for level in [0.80, 0.95, 0.99]:
        interval = stats.binomtest(hits, of).proportion_ci(level, method="wilson")
        row("wilson_low", hits, of, level, value=interval.low)
        row("wilson_high", hits, of, level, value=interval.high)

# Quantiles and tails.
for p in [0.51, 0.75, 0.9, 0.95, 0.975, 0.995, 0.9999]:
    row("normal_quantile", p, value=stats.norm.ppf(p))
    for freedom in [1, 2, 5, 10, 30, 200]:
        row("student_quantile", p, freedom, value=stats.t.ppf(p, freedom))
for x in [0.1, 1.0, 3.84, 10.0, 40.0]:
    for freedom in [1, 2, 7, 25]:
        row("chi_square_above", x, freedom, value=stats.chi2.sf(x, freedom))

# Mean of a rate of development while the water goes evenly from a to b: exponential law
# D = 196.7 exp(-0.1551 T) days (Brooke 1975).
for a, b in [(0.6, 9.9), (2.0, 2.5), (4.0, 8.0), (9.0, 1.0), (5.0, 5.001)]:
    for what, days in [
        ("mean_rate_exponential", lambda t: 196.7 * math.exp(-0.1551 * t)),
    ]:
        total, _ = integrate.quad(lambda t: 1.0 / days(t), a, b, epsabs=0.0, epsrel=1e-13)
        row(what, a, b, value=total / (b - a))

# Thermal units of a day of straight lines from a to b to c to d, eight hours each: the integral of max(T, 0).
for corners in [(3.0, 9.0, 7.0, 4.0), (-2.0, 5.0, -1.0, 2.0), (-3.0, -1.0, 0.0, 0.5), (0.0, 12.0, 12.0, 0.0)]:
    line = lambda h: numpy.interp(h, [0.0, 8.0, 16.0, 24.0], corners)
    # Split where the line may bend: at each corner and each zero.
    bends = {0.0, 8.0, 16.0, 24.0}
    for i in range(3):
        u, v = corners[i], corners[i + 1]
        if u * v < 0.0:
            bends.add(8.0 * (i + u / (u - v)))
    bends = sorted(bends)
    total = sum(
        integrate.quad(lambda h: max(line(h), 0.0), f, t, epsabs=0.0, epsrel=1e-12)[0]
        for f, t in zip(bends, bends[1:])
    )
    row("thermal_units", *corners, value=total / 24.0)

# Steinhart-Hart through three rows of the 103JL1A table: temperature of another resistance.
points = [(32650.0, 0.0), (15712.0, 15.0), (8057.0, 30.0)]
matrix = [[1.0, math.log(r), math.log(r) ** 3] for r, _ in points]
a, b, c = numpy.linalg.solve(matrix, [1.0 / (t + 273.15) for _, t in points])
for ohm in [42327.0, 19901.0, 12493.0, 6531.0]:
    x = math.log(ohm)
    row("thermistor_through_three", ohm, value=1.0 / (a + b * x + c * x**3) - 273.15)

# Pooled number of eggs to the gram: slope of a line through the origin, weighted by 1/grams, is the ratio of sums.
eggs, grams = numpy.array([36.0, 35.0, 41.0]), numpy.array([1.5, 1.6, 1.9])
slope = numpy.linalg.lstsq((grams / numpy.sqrt(grams))[:, None], eggs / numpy.sqrt(grams), rcond=None)[0][0]
row("eggs_per_gram", value=slope)
