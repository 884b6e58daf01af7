"""Writes flatness_scipy.csv: random grids, and their flatness by numpy.linalg.svd and scipy.optimize.linprog.

Run beside it:  python3 flatness_scipy.py > flatness_scipy.csv
Made with NumPy and SciPy as named in the file's first line. The random numbers come from Python's own generator, whose
sequence is fixed for a seed.

One grid a line: columns, rows and pitches; peak to valley and RMS about the orthogonal least-squares plane, whose normal
is the right singular vector of the smallest singular value (C. M. Shakarji, J. Res. NIST 103(6), 1998, 633-641); the
separation of the two planes that enclose all nodes with the least distance along Z, as a linear programme, taken along
their normal; then the heights, row by row. All in micrometres.
"""

import random

import numpy
import scipy
from scipy.optimize import linprog

CASES = 80


def grid(rng):
    columns, rows = rng.randint(2, 15), rng.randint(2, 15)
    pitch_x, pitch_y = rng.choice([20_000, 45_500, 60_000]), rng.choice([20_000, 45_500, 60_000])
    shape = rng.choice(
        [
            lambda u, v: rng.randint(-300, 300),
            lambda u, v: round(-3 * (u - columns / 2) ** 2 - 2 * (v - rows / 2) ** 2) + rng.randint(-9, 9),
            lambda u, v: 60 * u - 40 * v + rng.randint(-20, 20),
            lambda u, v: 100 * (u > columns // 2) - 30 * (v > rows // 2),
            lambda u, v: 3 * u * v + rng.randint(-1, 1),
        ]
    )
    heights = [shape(column, row) for row in range(rows) for column in range(columns)]
    return columns, rows, pitch_x, pitch_y, heights


def least_squares(points):
    from_mean = points - points.mean(axis=0)
    normal = numpy.linalg.svd(from_mean, full_matrices=False)[2][-1]
    deviations = from_mean @ normal
    return deviations.max() - deviations.min(), numpy.sqrt((deviations**2).mean())


def minimum_zone(points):
    # In mm across and um along Z, so that the unknowns are of one size.
    plane = numpy.c_[numpy.ones(len(points)), points[:, :2] / 1000]
    ones, heights = numpy.ones(len(points)), points[:, 2]
    above, below = numpy.c_[-plane, -ones], numpy.c_[plane, -ones]
    bounds = [(None, None)] * 3 + [(0, None)]
    found = linprog(
        [0, 0, 0, 1],
        A_ub=numpy.vstack([above, below]),
        b_ub=numpy.r_[-heights, heights],
        bounds=bounds,
        method="highs",
        options={"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-10},
    )
    _, slope_x, slope_y, half = found.x
    return 2 * half / numpy.sqrt(1 + (slope_x / 1000) ** 2 + (slope_y / 1000) ** 2)


def main():
    rng = random.Random(12781)
    print(f"# NumPy {numpy.__version__}, SciPy {scipy.__version__}")
    for _ in range(CASES):
        columns, rows, pitch_x, pitch_y, heights = grid(rng)
        places = [(column * pitch_x, row * pitch_y) for row in range(rows) for column in range(columns)]
        points = numpy.array([(x, y, height) for (x, y), height in zip(places, heights)], dtype=float)
        width, rms = least_squares(points)
        figures = f"{width:.12g},{rms:.12g},{minimum_zone(points):.12g}"
        print(f"{columns},{rows},{pitch_x},{pitch_y},{figures}," + " ".join(map(str, heights)))


main()
