"""Writes survey_weights_sklearn.csv: surveys of random beds by scikit-learn's Gaussian process regressor.

Run beside it:  python3 survey_weights_sklearn.py > survey_weights_sklearn.csv
Made with scikit-learn 1.9.1. The random numbers come from Python's own generator, whose sequence is fixed for a seed.

The regressor has no free terms; a polynomial kernel of second degree with a spread FREE times the hand's stands for them,
which leaves 1e-5 of them out. Hand 1, rough part 3, length half a span, nothing fitted.

One survey a line: nodes along an axis, step from station to station, readings by station in whole micrometres; then by
node the surface, by station what all others predict, and the spread of the surface over its area (root mean square on
17 x 17 places) for the hand that the readings show by restricted maximum likelihood.
"""

import random

import numpy
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import ConstantKernel, DotProduct, Matern

FREE = 1e4
CASES = 20


def regressor():
    kernel = ConstantKernel(9.0) * Matern(length_scale=0.5, nu=2.5) + ConstantKernel(FREE**2) * DotProduct(1.0) ** 2
    return GaussianProcessRegressor(kernel, alpha=1.0, optimizer=None)


def lattice(nodes):
    return numpy.array([[column / (nodes - 1), row / (nodes - 1)] for row in range(nodes) for column in range(nodes)]) - 0.5


def bed(rng, at):
    tilt, twist, bow, waves = (rng.choice([0, 1]) * rng.uniform(-600, 600) for _ in range(4))
    phase, length, hand = rng.uniform(0, 6), rng.uniform(2, 8), rng.choice([0, 5, 20, 40])
    def height(x, y):
        return tilt * (x - 0.4 * y) + twist * x * y + bow * (x * x + 0.7 * y * y) + 0.3 * waves * numpy.sin(length * x + phase + y)
    return [round(height(x, y) + rng.gauss(0, hand)) for x, y in at]


def main():
    rng = random.Random(20_261_130)
    print("nodes,step,readings_um,surface_um,predicted_um,surface_rms_um")
    for nodes, step in ((5, 2), (7, 2), (5, 1)):
        everywhere = lattice(nodes)
        at = everywhere[::step]
        fitted = regressor().fit(at, numpy.zeros(len(at)))
        deviation = fitted.predict(lattice(17), return_std=True)[1]
        spread = numpy.sqrt((deviation**2).mean())
        covariance = fitted.kernel_(at) + numpy.eye(len(at))
        for _ in range(CASES):
            readings = numpy.array(bed(rng, at), dtype=float)
            surface = regressor().fit(at, readings).predict(everywhere)
            kept = [numpy.arange(len(at)) != left_out for left_out in range(len(at))]
            predicted = [regressor().fit(at[keep], readings[keep]).predict(at[~keep])[0] for keep in kept]
            hand = numpy.sqrt(readings @ numpy.linalg.solve(covariance, readings) / (len(at) - 6))
            fields = [":".join(f"{value:.0f}" for value in readings)]
            fields += [":".join(f"{value:.3f}" for value in values) for values in (surface, predicted)]
            print(f"{nodes},{step},{','.join(fields)},{hand * spread:.3f}")


main()
