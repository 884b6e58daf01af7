"""Writes estimate_sklearn.csv: surfaces of readings at any places, averaged over settings, by scikit-learn.

Run beside it:  python3 estimate_sklearn.py > estimate_sklearn.csv
Made with scikit-learn 1.9.1. The random numbers come from Python's own generator, whose sequence is fixed for a seed.

For each setting scikit-learn's Gaussian process regressor has the covariance; as it knows no free terms, it regresses the
readings and each of the six terms, and the terms are taken out by generalised least squares (Rasmussen and Williams 2006,
section 2.7, eqs. 2.41 and 2.42 with an infinitely wide prior). Its log marginal likelihood, less half the logarithm of the
determinant of the terms' precision, is the restricted likelihood, by which the settings are averaged.

One case a line: spread of the hand and its factor; readings as x:y:height:spread in um, spread 0 where it is the hand's;
places as x:y in um; then by place mean and standard deviation, and the mean of the hand.
"""

import itertools
import random

import numpy
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import ConstantKernel, Matern

ROUGH = [3.0, 8.0, 20.0, 50.0, 120.0, 300.0]
LENGTHS = [0.25, 0.5, 1.0]
STEPS = [-2, -1, 0, 1, 2]
CASES = 24


def terms(at):
    x, y = at[:, 0], at[:, 1]
    return numpy.c_[numpy.ones(len(at)), x, y, x * y, x * x, y * y]


def predict(at, heights, own, places, rough, length, hand):
    noise = numpy.where(own > 0, own, hand) ** 2
    kernel = ConstantKernel(rough**2) * Matern(length_scale=length, nu=2.5)
    def regressor(values):
        return GaussianProcessRegressor(kernel, alpha=noise, optimizer=None).fit(at, values)
    free = terms(at)
    fitted = regressor(heights)
    whitened = numpy.linalg.solve(fitted.L_, free)
    precision = whitened.T @ whitened
    coefficients = numpy.linalg.solve(precision, whitened.T @ numpy.linalg.solve(fitted.L_, heights))
    left = regressor(heights - free @ coefficients)
    mean, deviation = left.predict(places, return_std=True)
    known = numpy.column_stack([regressor(free[:, term]).predict(places) for term in range(6)])
    opened = terms(places) - known
    variance = deviation**2 + (opened * numpy.linalg.solve(precision, opened.T).T).sum(1)
    likelihood = left.log_marginal_likelihood_value_ - 0.5 * numpy.linalg.slogdet(precision)[1]
    return mean + terms(places) @ coefficients, variance, likelihood


def average(at, heights, own, places, spread, factor):
    found, shares, hands = [], [], []
    for step, rough, length in itertools.product(STEPS, ROUGH, LENGTHS):
        hand = spread * factor**step
        mean, variance, likelihood = predict(at, heights, own, places, rough, length, hand)
        found.append((mean, variance))
        shares.append(likelihood - 0.5 * step**2 - 0.5 * numpy.log(rough / 20.0) ** 2)
        hands.append(hand)
    shares = numpy.exp(numpy.array(shares) - max(shares))
    shares /= shares.sum()
    means = numpy.array([mean for mean, _ in found])
    variances = numpy.array([variance for _, variance in found])
    mean = shares @ means
    return mean, numpy.sqrt(shares @ (variances + (means - mean) ** 2)), shares @ numpy.array(hands)


def main():
    rng = random.Random(20_261_201)
    print("spread_um,factor,readings,places_um,mean_um,deviation_um,hand_um")
    for case in range(CASES):
        count = rng.choice([7, 9, 13, 20, 25])
        wide, deep = rng.choice([(200_000, 200_000), (300_000, 120_000), (90_000, 250_000)])
        def place(beyond):
            return [round(rng.uniform(-beyond, 1 + beyond) * wide), round(rng.uniform(-beyond, 1 + beyond) * deep)]
        # A first ring that tells the terms, then anywhere; every fourth case has two readings of one place.
        around = [(0, 0), (1, 0), (0, 1), (1, 1), (0.5, 0.45), (0.45, 0.9), (0.9, 0.5)]
        raw = [[round(x * wide), round(y * deep)] for x, y in around] + [place(0) for _ in range(count - 7)]
        if case % 4 == 3:
            raw.append(list(raw[2]))
        bow, tilt, waves = rng.uniform(-400, 400), rng.uniform(-300, 300), rng.choice([0, 10, 60])
        hand = rng.choice([5, 15, 30])
        own = [rng.choice([0, 0, 0, 8, 40]) if case % 3 == 2 else 0 for _ in raw]
        heights = [
            round(bow * ((x / wide - 0.5) ** 2 + (y / deep - 0.4) ** 2) + tilt * x / wide
            + waves * numpy.sin(9 * x / wide + 4 * y / deep) + rng.gauss(0, spread or hand))
            for (x, y), spread in zip(raw, own)
        ]
        places = [place(0.2) for _ in range(8)] + [raw[0]]
        spread, factor = rng.choice([(20.0, 2.0), (10.0, 1.5), (40.0, 1.5)])
        low, high = numpy.min(raw, axis=0), numpy.max(raw, axis=0)
        def scaled(at):
            return (numpy.array(at, dtype=float) - (low + high) / 2) / (high - low)
        middle = sum(heights) / len(heights)
        values = numpy.array(heights) - middle
        mean, deviation, found = average(scaled(raw), values, numpy.array(own, dtype=float), scaled(places), spread, factor)
        fields = [
            f"{spread:.0f}", f"{factor}",
            " ".join(f"{x}:{y}:{height}:{spread}" for (x, y), height, spread in zip(raw, heights, own)),
            " ".join(f"{x}:{y}" for x, y in places),
            " ".join(f"{value + middle:.9f}" for value in mean),
            " ".join(f"{value:.9f}" for value in deviation),
            f"{found:.9f}",
        ]
        print(",".join(fields))


main()
