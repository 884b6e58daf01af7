"""Writes the weights from readings to a surface, exact to 40 digits. Standard library only.

    python3 tests/data/survey_weights.py > tests/data/survey_weights.csv
    python3 tests/data/survey_weights.py rust > firmware-core/src/weights/tables.rs

Best linear unbiased prediction (universal kriging: C. E. Rasmussen, C. K. I. Williams, Gaussian Processes for Machine
Learning, 2006, section 2.7): plane, twist and bow without a prior; a rough part by the Matern 5/2 kernel whose spread is
ROUGH times the hand's and whose length is LENGTH of the span of the stations; the hand's own spread on each reading. With
unit spread of the hand the weights of a node are the w of

    | K + 1   F | | w |   | k |
    | F'      0 | | m | = | f |

and the variance of the predicted surface there is ROUGH^2 - k'w - f'm. Stations and nodes lie on a square lattice of
`nodes` by `nodes`, both axes in spans, so that wide and deep beds have the same weights. With `step` 2 every other node of
the lattice is a station: the corners of the cells of a lattice half as dense, and their middles.
"""

import sys
from decimal import Decimal, getcontext

getcontext().prec = 40

ROUGH = Decimal(3)
LENGTH = Decimal("0.5")
LAYOUTS = {"THREE_WITH_MIDDLES": (5, 2), "FOUR_WITH_MIDDLES": (7, 2), "FIVE": (5, 1)}


def matern_5_2(a, b):
    square = (a[0] - b[0]) ** 2 + (a[1] - b[1]) ** 2
    d = (5 * square).sqrt() / LENGTH
    return ROUGH * ROUGH * (1 + d + d * d / 3) * (-d).exp()


def basis(at):
    x, y = at[0] - Decimal("0.5"), at[1] - Decimal("0.5")
    return [Decimal(1), x, y, x * y, x * x, y * y]


def solve(matrix, right):
    """Gauss elimination with the largest pivot; `right` has a column for each right-hand side."""
    rows = [list(a) + list(b) for a, b in zip(matrix, right)]
    size = len(rows)
    for column in range(size):
        pivot = max(range(column, size), key=lambda row: abs(rows[row][column]))
        rows[column], rows[pivot] = rows[pivot], rows[column]
        rows[column] = [value / rows[column][column] for value in rows[column]]
        for row in range(size):
            factor = rows[row][column]
            if row != column and factor:
                rows[row] = [a - factor * b for a, b in zip(rows[row], rows[column])]
    return [row[size:] for row in rows]


def place(node, nodes):
    return Decimal(node % nodes) / (nodes - 1), Decimal(node // nodes) / (nodes - 1)


def stations(nodes, step):
    return list(range(0, nodes * nodes, step))


def weights(nodes, step, places):
    """For each place its weights by station, and the variance of the surface there in squares of the hand's spread."""
    at = [place(node, nodes) for node in stations(nodes, step)]
    count = len(at)
    matrix = [[matern_5_2(a, b) + (a is b) for b in at] + basis(a) for a in at]
    matrix += [[basis(a)[term] for a in at] + [Decimal(0)] * 6 for term in range(6)]
    wanted = [[matern_5_2(p, a) for a in at] + basis(p) for p in places]
    found = solve(matrix, [list(row) for row in zip(*wanted)])
    result = []
    for which, right in enumerate(wanted):
        column = [row[which] for row in found]
        result.append((column[:count], ROUGH * ROUGH - sum(a * b for a, b in zip(right, column))))
    return result


def representatives(nodes):
    """Nodes of one of the eight parts into which the symmetries of a square divide it: row <= column <= middle."""
    half = (nodes + 1) // 2
    return [row * nodes + column for column in range(half) for row in range(column + 1)]


def surface_rms(nodes, step):
    """Root mean square of the spread of the surface over its area, in spreads of the hand, on 17 x 17 places."""
    places = [place(node, 17) for node in range(17 * 17)]
    found = weights(nodes, step, places)
    return (sum(variance for _, variance in found) / len(found)).sqrt()


def rust():
    print("//! Weights of readings, with 15 fractional bits: written by `tests/data/survey_weights.py rust`.")
    print("//!")
    print("//! One row for each node in an eighth of the square, one weight for each station.")
    for name, (nodes, step) in LAYOUTS.items():
        rows = weights(nodes, step, [place(node, nodes) for node in representatives(nodes)])
        print(f"\n/// Spread of the surface over its area by that of the hand (root mean square), with 8 fractional bits.")
        print(f"pub(super) const {name}_SPREAD_Q8: u16 = {round(surface_rms(nodes, step) * 256)};")
        count = len(stations(nodes, step))
        print(f"\n#[rustfmt::skip]\npub(super) static {name}: [i16; {len(rows) * count}] = [")
        for row, _ in rows:
            line = "   "
            for weight in row:
                number = f" {round(weight * 32768)},"
                if len(line) + len(number) > 119:
                    print(line)
                    line = "   "
                line += number
            print(line)
        print("];")


def table():
    print("nodes,step,column,row,weights")
    for nodes, step in LAYOUTS.values():
        everywhere = range(nodes * nodes)
        for node, (row, _) in zip(everywhere, weights(nodes, step, [place(node, nodes) for node in everywhere])):
            print(f"{nodes},{step},{node % nodes},{node // nodes},{':'.join(f'{weight:.12f}' for weight in row)}")


if sys.argv[1:] == ["rust"]:
    rust()
else:
    table()
