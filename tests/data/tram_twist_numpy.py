"""Writes tram_twist_numpy.csv: random beds on four or more screws, their planes and twists by numpy.linalg.lstsq.

Run beside it:  python3 tram_twist_numpy.py > tram_twist_numpy.csv
Made with NumPy 2.4.6. The random numbers come from Python's own generator, whose sequence is fixed for a seed.

One case a line. Readings are x:y:height and screws x:y, in whole micrometres; then the fitted height at each screw, peak
to valley and RMS of the readings about the fit. The saddle is x·y or (x² − y²)/2, whichever the screws make more of.
"""

import random

import numpy

from tram_numpy import LARGEST_AMPLIFICATION, case, is_well_placed

CASES = 200


def columns(points):
    return numpy.array([[x, y] for x, y in points], dtype=float)


def design(points, middle, diamond):
    x, y = (columns(points) - middle).T / 100_000
    saddle = (x * x - y * y) / 2 if diamond else x * y
    return numpy.column_stack([numpy.ones(len(points)), x, y, saddle])


def without_plane(matrix):
    plane = matrix[:, :3]
    return matrix[:, 3] - plane @ numpy.linalg.lstsq(plane, matrix[:, 3], rcond=None)[0]


def main():
    rng = random.Random(20_261_130)
    print("readings_um,screws_um,screw_heights_um,peak_to_valley_um,rms_um")
    done = 0
    while done < CASES:
        readings, screws = case(rng)
        stations = [(x, y) for x, y, _ in readings]
        if len(screws) < 4 or len(readings) < 5 or not is_well_placed(readings, screws):
            continue
        middle = (columns(stations).min(axis=0) + columns(stations).max(axis=0)) / 2
        made = [numpy.linalg.norm(without_plane(design(screws, middle, diamond))) for diamond in (False, True)]
        # A near tie is decided by rounding.
        if max(made) < 1.05 * min(made):
            continue
        diamond = made[1] > made[0]
        matrix, at_screws = design(stations, middle, diamond), design(screws, middle, diamond)
        own = without_plane(matrix)
        plane = numpy.linalg.lstsq(matrix[:, :3], matrix[:, 3], rcond=None)[0]
        if numpy.linalg.norm(own) < 1e-3 * abs(matrix[:, 3]).max():
            continue
        grows = abs(at_screws[:, 3] - at_screws[:, :3] @ plane).max() / numpy.linalg.norm(own)
        if grows > LARGEST_AMPLIFICATION:
            continue
        heights = numpy.array([height for _, _, height in readings], dtype=float)
        fit = numpy.linalg.lstsq(matrix, heights, rcond=None)[0]
        deviations = heights - matrix @ fit
        fields = [
            " ".join(f"{x}:{y}:{height}" for x, y, height in readings),
            " ".join(f"{x}:{y}" for x, y in screws),
            " ".join(f"{height:.6f}" for height in at_screws @ fit),
            f"{deviations.max() - deviations.min():.6f}",
            f"{numpy.sqrt((deviations**2).mean()):.6f}",
        ]
        print(",".join(fields))
        done += 1


if __name__ == "__main__":
    main()
