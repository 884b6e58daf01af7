"""Writes estimate_older_numpy.csv: surfaces of readings with older surveys of the same plate, by another route, in NumPy.

Run beside it:  python3 estimate_older_numpy.py > estimate_older_numpy.csv
Made with NumPy 2.4.6. The random numbers come from Python's own generator, whose sequence is fixed for a seed.

Model: reading = own plane and twist of its survey + bow of the plate + rough part + drifts since its survey + hand; each
drift is a rough part of its own, half a span long, and a survey has those of all newer surveys. The program under test
whitens by a Cholesky factor and takes the terms out afterwards. Here the kriging system is solved as it stands, with a
multiplier for each term (N. Cressie, Statistics for Spatial Data, 1993, section 3.4), and the restricted likelihood is
that of contrasts in which no term is left (H. D. Patterson and R. Thompson, Biometrika 58, 1971, pages 545 to 554); both
from memory.
Without a reading its prediction is solved anew from all the others.

One case a line: spread of the hand, its factor and the drift; readings as x:y:height:spread in um, spread 0 where it is
the hand's, the surveys from the newest back with bars between them; places as x:y in um; by place mean and standard
deviation; mean of the hand and of the drift; by reading how far it is off what all others predict, for the setting of
fixed weights and a hand of 20 um.
"""

import itertools
import random

import numpy

ROUGH = [3.0, 8.0, 20.0, 50.0, 120.0, 300.0]
LENGTHS = [0.25, 0.5, 1.0]
STEPS = [-2, -1, 0, 1, 2]
DRIFTS = [1, 2, 4, 8]
DRIFT_LENGTH = 0.5
CASES = 12


def terms(at, ages, surveys):
    x, y = at[:, 0], at[:, 1]
    screws = numpy.c_[numpy.ones(len(at)), x, y, x * y]
    return numpy.hstack([screws * (ages == age)[:, None] for age in range(surveys)] + [numpy.c_[x * x, y * y]])


def covariance(at, ages, other, other_ages, rough, length, drift):
    def matern(length):
        distance = numpy.sqrt(5) * numpy.linalg.norm(at[:, None] - other[None], axis=2) / length
        return (1 + distance + distance**2 / 3) * numpy.exp(-distance)
    shared = numpy.minimum(ages[:, None], other_ages[None])
    return rough**2 * matern(length) + drift**2 * shared * matern(DRIFT_LENGTH)


def predict(at, ages, heights, own, places, surveys, rough, length, hand, drift):
    newest = numpy.zeros(len(places), dtype=int)
    inner = covariance(at, ages, at, ages, rough, length, drift) + numpy.diag(numpy.where(own > 0, own, hand) ** 2)
    free = terms(at, ages, surveys)
    none = numpy.zeros((free.shape[1], free.shape[1]))
    system = numpy.block([[inner, free], [free.T, none]])
    right = numpy.vstack([
        covariance(at, ages, places, newest, rough, length, drift), terms(places, newest, surveys).T
    ])
    solution = numpy.linalg.solve(system, right)
    mean = solution[: len(at)].T @ heights
    variance = rough**2 - (solution * right).sum(0)
    left, _, _ = numpy.linalg.svd(free)
    contrasts = left[:, free.shape[1]:]
    spread = contrasts.T @ inner @ contrasts
    seen = contrasts.T @ heights
    likelihood = -0.5 * seen @ numpy.linalg.solve(spread, seen) - 0.5 * numpy.linalg.slogdet(spread)[1]
    return mean, variance, likelihood


def average(at, ages, heights, own, places, surveys, spread, factor, drift):
    found, shares, hands, drifts = [], [], [], []
    for times, step, rough, length in itertools.product(DRIFTS, STEPS, ROUGH, LENGTHS):
        hand = spread * factor**step
        mean, variance, likelihood = predict(
            at, ages, heights, own, places, surveys, rough, length, hand, times * drift
        )
        found.append((mean, variance))
        prior = step**2 + numpy.log(rough / 20.0) ** 2 + numpy.log2(times) ** 2
        shares.append(likelihood - 0.5 * prior)
        hands.append(hand)
        drifts.append(times * drift)
    shares = numpy.exp(numpy.array(shares) - max(shares))
    shares /= shares.sum()
    means = numpy.array([mean for mean, _ in found])
    variances = numpy.array([variance for _, variance in found])
    mean = shares @ means
    deviation = numpy.sqrt(shares @ (variances + (means - mean) ** 2))
    return mean, deviation, shares @ numpy.array(hands), shares @ numpy.array(drifts)


def off(at, ages, heights, own, surveys, drift, hand=20.0):
    found = []
    for reading in range(len(at)):
        rest = numpy.arange(len(at)) != reading
        # Of an older survey the reading has a plane and a twist of its own: the place is one of that survey.
        inner = covariance(at, ages, at, ages, 3 * hand, 0.5, drift)
        free = terms(at, ages, surveys)
        noise = numpy.diag(numpy.where(own > 0, own, hand)[rest] ** 2)
        none = numpy.zeros((free.shape[1], free.shape[1]))
        system = numpy.block([[inner[numpy.ix_(rest, rest)] + noise, free[rest]], [free[rest].T, none]])
        weights = numpy.linalg.solve(system, numpy.r_[inner[rest, reading], free[reading]])[: rest.sum()]
        found.append(heights[reading] - weights @ heights[rest])
    return found


def main():
    rng = random.Random(20_261_202)
    print("spread_um,factor,drift_um,readings,places_um,mean_um,deviation_um,hand_um,found_drift_um,off_um")
    for case in range(CASES):
        wide, deep = rng.choice([(200_000, 200_000), (300_000, 120_000), (90_000, 250_000)])
        def place(beyond):
            return [round(rng.uniform(-beyond, 1 + beyond) * wide), round(rng.uniform(-beyond, 1 + beyond) * deep)]
        corners = [(0, 0), (1, 0), (0, 1), (1, 1), (0.5, 0.45)]
        edges = [(0.45, 0.95), (0.9, 0.5), (0.1, 0.55), (0.5, 0.05)]
        surveys = 2 + case % 3
        bow, waves = rng.uniform(-400, 400), rng.choice([0, 10, 60])
        raw, ages, own, heights = [], [], [], []
        spread, factor = rng.choice([(20.0, 2.0), (10.0, 1.5), (40.0, 1.5)])
        drift = rng.choice([5, 15, 40])
        for age in range(surveys):
            # A tie in every other case; what is older is a whole survey.
            stations = corners if age == 0 and case % 2 == 0 else corners + edges
            here = [[round(x * wide), round(y * deep)] for x, y in stations] + [place(0) for _ in range(2 * age)]
            tilts = [rng.uniform(-300, 300) for _ in range(4)]
            for x, y in here:
                u, v = x / wide, y / deep
                reading_spread = rng.choice([0, 0, 8, 40]) if case % 4 == 3 else 0
                raw.append([x, y])
                ages.append(age)
                own.append(reading_spread)
                heights.append(round(
                    bow * ((u - 0.5) ** 2 + (v - 0.4) ** 2) + tilts[0] + tilts[1] * u + tilts[2] * v + tilts[3] * u * v
                    + waves * numpy.sin(9 * u + 4 * v) + age * 20 * numpy.sin(5 * u - 3 * v)
                    + rng.gauss(0, reading_spread or spread)
                ))
        places = [place(0.2) for _ in range(6)] + [raw[0]]
        low, high = numpy.min(raw, axis=0), numpy.max(raw, axis=0)
        def scaled(at):
            return (numpy.array(at, dtype=float) - (low + high) / 2) / (high - low)
        by_age = numpy.array(ages)
        middle = sum(heights) / len(heights)
        values, noise = numpy.array(heights) - middle, numpy.array(own, dtype=float)
        mean, deviation, hand, found_drift = average(
            scaled(raw), by_age, values, noise, scaled(places), surveys, spread, factor, float(drift)
        )
        rows = [f"{x}:{y}:{height}:{own}" for (x, y), height, own in zip(raw, heights, own)]
        fields = [
            f"{spread:.0f}", f"{factor}", f"{drift}",
            "|".join(" ".join(row for row, of in zip(rows, ages) if of == age) for age in range(surveys)),
            " ".join(f"{x}:{y}" for x, y in places),
            " ".join(f"{value + middle:.9f}" for value in mean),
            " ".join(f"{value:.9f}" for value in deviation),
            f"{hand:.9f}", f"{found_drift:.9f}",
            " ".join(f"{value:.9f}" for value in off(scaled(raw), by_age, values, noise, surveys, float(drift))),
        ]
        print(",".join(fields))


main()
