"""Writes tram_numpy.csv: random beds, and their planes by numpy.linalg.lstsq.

Run beside it:  python3 tram_numpy.py > tram_numpy.csv
Made with NumPy 2.4.6. The random numbers come from Python's own generator, whose sequence is fixed for a seed.

One case a line. Readings are x:y:height and screws x:y, in whole micrometres; then the plane as height at the mean of
the readings and slopes along X and Y, its height at each screw, peak to valley and RMS of the readings about it.
"""

import random

import numpy

CASES = 200
# Cases in which a reading's error grows more than this at a screw are drawn again.
LARGEST_AMPLIFICATION = 7.9


def places(rng, count, width_um, depth_um):
    return [(rng.randint(-width_um, width_um), rng.randint(-depth_um, depth_um)) for _ in range(count)]


def case(rng):
    """Readings and screws: bowed, twisted and tilted beds, from well placed to barely so."""
    width_um, depth_um = rng.choice([(120_000, 120_000), (40_000, 150_000), (450_000, 30_000), (500_000, 500_000)])
    if rng.random() < 0.5:
        columns, rows = rng.randint(2, 5), rng.randint(2, 5)
        stations = [
            (-width_um + 2 * width_um * column // (columns - 1), -depth_um + 2 * depth_um * row // (rows - 1))
            for row in range(rows)
            for column in range(columns)
        ]
    else:
        stations = places(rng, rng.randint(3, 16), width_um, depth_um)
    far = 2_000_000_000 if rng.random() < 0.2 else 300_000
    origin = (rng.randint(-far, far), rng.randint(-300_000, 300_000))
    tilt_x, tilt_y = rng.uniform(-0.004, 0.004), rng.uniform(-0.004, 0.004)
    bow, twist, feel_um = rng.uniform(-600, 600), rng.uniform(-300, 300), rng.choice([0, 20, 500])
    level_um = rng.uniform(-3000, 3000)
    readings = []
    for x, y in stations:
        u, v = x / width_um, y / depth_um
        height = level_um + tilt_x * x + tilt_y * y + bow * (u * u + v * v) + twist * u * v + rng.gauss(0, feel_um)
        readings.append((x + origin[0], y + origin[1], max(-8191, min(8191, round(height)))))
    screws = [(x + origin[0], y + origin[1]) for x, y in places(rng, rng.randint(3, 8), width_um, depth_um)]
    return readings, screws


def scatter(points):
    columns = numpy.array([[x, y] for x, y in points], dtype=float)
    return columns.mean(axis=0), columns


def largest_amplification(from_points, at_points):
    mean, columns = scatter(from_points)
    inverse = numpy.linalg.pinv((columns - mean).T @ (columns - mean))
    away = scatter(at_points)[1] - mean
    return numpy.sqrt(1 / len(from_points) + numpy.einsum("ij,jk,ik->i", away, inverse, away)).max()


def is_well_placed(readings, screws):
    stations = [(x, y) for x, y, _ in readings]
    for points in (stations, screws):
        mean, columns = scatter(points)
        if numpy.linalg.svd(columns - mean, compute_uv=False)[1] < 1500 * len(points) ** 0.5:
            return False
    near = any(max(abs(a[0] - b[0]), abs(a[1] - b[1])) < 1000 for a in screws for b in screws if a is not b)
    within = all(max(abs(x - stations[0][0]), abs(y - stations[0][1])) < 1_044_000 for x, y in stations + screws)
    return (
        within
        and not near
        and largest_amplification(stations, screws) < LARGEST_AMPLIFICATION
        and largest_amplification(screws, stations) < LARGEST_AMPLIFICATION
    )


def main():
    rng = random.Random(20_240_117)
    print("readings_um,screws_um,mean_height_um,slope_x,slope_y,screw_heights_um,peak_to_valley_um,rms_um")
    done = 0
    while done < CASES:
        readings, screws = case(rng)
        if not is_well_placed(readings, screws):
            continue
        mean, columns = scatter([(x, y) for x, y, _ in readings])
        heights = numpy.array([height for _, _, height in readings], dtype=float)
        design = numpy.column_stack([numpy.ones(len(readings)), columns - mean])
        plane = numpy.linalg.lstsq(design, heights, rcond=None)[0]
        deviations = heights - design @ plane
        at_screws = plane[0] + (scatter(screws)[1] - mean) @ plane[1:]
        fields = [
            " ".join(f"{x}:{y}:{height}" for x, y, height in readings),
            " ".join(f"{x}:{y}" for x, y in screws),
            f"{plane[0]:.6f}",
            f"{plane[1]:.12f}",
            f"{plane[2]:.12f}",
            " ".join(f"{height:.6f}" for height in at_screws),
            f"{deviations.max() - deviations.min():.6f}",
            f"{numpy.sqrt((deviations**2).mean()):.6f}",
        ]
        print(",".join(fields))
        done += 1


if __name__ == "__main__":
    main()
