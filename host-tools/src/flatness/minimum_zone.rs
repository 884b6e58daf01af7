//! The narrowest pair of parallel planes that enclose all points.
//!
//! For planes `z = a + b·x + c·y` the separation along Z, highest less lowest of `z − b·x − c·y`, is a convex function
//! of `b` and `c` made of flat facets. Divided by `√(1 + b² + c²)` to be taken along the normal, it is quasiconcave on
//! each facet, so its least value stands at a corner of one. At a corner, three points touch one plane and one the
//! other, or two touch either: the 3-1 and the 2-2 condition. So it is enough to try every face and every pair of edges
//! of the points' upper and lower hull, and whatever is tried beyond those does no harm, since every width that is
//! counted does enclose all points.
//!
//! All comparisons of heights are in integers: places within 2^21, heights within 2^14, products below 2^59.

use super::Vector;

/// Least separation, normal to the planes. None if the points are on one line as seen from above.
pub(super) fn least_width_um(points: &[Vector]) -> Option<f64> {
    let upside_down: Vec<Vector> = points.iter().map(|&[x, y, z]| [x, y, -z]).collect();
    let (upper, lower) = (edges(points), edges(&upside_down));
    let turned = |&[x, y, z]: &Vector| [-x, -y, z];
    let faces = upper.iter().flat_map(|edge| edge.normals).flatten();
    // A normal of the hull of the points upside down, turned the right way up.
    let faces = faces.chain(lower.iter().flat_map(|edge| edge.normals).flatten().map(|normal| turned(&normal)));
    let mut least = faces.map(|normal| width(points, normal)).fold(f64::INFINITY, f64::min);

    let right_way_up = |[x, y, z]: Vector| [x, y, -z];
    for above in &upper {
        for below in &lower {
            let normal = match cross(above.along, right_way_up(below.along)) {
                [_, _, 0] => continue,
                normal @ [_, _, up] if up > 0 => normal,
                [x, y, z] => [-x, -y, -z],
            };
            let (highest, lowest) = (dot(normal, above.from), dot(normal, right_way_up(below.from)));
            let found = separation(highest, lowest, normal);
            let encloses = || points.iter().all(|&point| (lowest..=highest).contains(&dot(normal, point)));
            if found < least && encloses() {
                least = found;
            }
        }
    }
    least.is_finite().then_some(least)
}

/// Separation of the planes with this normal that touch the points.
fn width(points: &[Vector], normal: Vector) -> f64 {
    let reach = points.iter().map(|&point| dot(normal, point));
    let (lowest, highest) = reach.fold((i64::MAX, i64::MIN), |(lowest, highest), at| (lowest.min(at), highest.max(at)));
    separation(highest, lowest, normal)
}

fn separation(highest: i64, lowest: i64, [x, y, z]: Vector) -> f64 {
    (highest - lowest) as f64 / (x as f64).hypot(y as f64).hypot(z as f64)
}

/// An edge of the upper hull, and the normals of the faces on its two sides, pointing up.
struct Edge {
    from: Vector,
    along: Vector,
    normals: [Option<Vector>; 2],
}

/// Every edge of the upper hull: two points on which a plane can lie that has all others below or on it.
fn edges(points: &[Vector]) -> Vec<Edge> {
    let corners = without_middles(points);
    let pairs = corners
        .iter()
        .enumerate()
        .flat_map(|(index, &from)| corners[index + 1..].iter().map(move |&to| (from, minus(to, from))));
    pairs.filter_map(|(from, along)| edge(&corners, from, along)).collect()
}

fn edge(corners: &[Vector], from: Vector, along: Vector) -> Option<Edge> {
    // On either side the point that rises steepest from the line, as the normal of the plane through it.
    let (mut left, mut right, mut right_corner): (Option<Vector>, Option<Vector>, Option<Vector>) = (None, None, None);
    for &corner in corners {
        let to = minus(corner, from);
        let side = along[0] * to[1] - along[1] * to[0];
        let rises_over = |normal: Option<Vector>| normal.is_none_or(|normal| dot(normal, to) > 0);
        if side == 0 {
            let (here, length) = (to[0] * along[0] + to[1] * along[1], along[0] * along[0] + along[1] * along[1]);
            if to[2] * length > along[2] * here {
                return None;
            }
        } else if side > 0 && rises_over(left) {
            left = Some(cross(along, to));
        } else if side < 0 && rises_over(right) {
            (right, right_corner) = (Some(cross(to, along)), Some(to));
        } else {
            continue;
        }
        // A plane on the line must clear both sides.
        if let (Some(left), Some(to)) = (left, right_corner)
            && dot(left, to) > 0
        {
            return None;
        }
    }
    Some(Edge { from, along, normals: [left, right] })
}

/// The points without those that lie on or below the straight way between two others, and without those below another
/// of the same place: none of them is a corner of the upper hull.
fn without_middles(points: &[Vector]) -> Vec<Vector> {
    let mut sorted = points.to_vec();
    sorted.sort_unstable_by_key(|&[x, y, z]| (x, y, std::cmp::Reverse(z)));
    sorted.dedup_by_key(|&mut [x, y, _]| (x, y));
    let is_middle = |index: usize| {
        // In this order a point on a line stands between any two points on either side of it.
        let (before, from_here_on) = sorted.split_at(index);
        from_here_on
            .split_first()
            .is_some_and(|(&here, after)| before.iter().any(|&a| after.iter().any(|&b| is_on_or_below(here, a, b))))
    };
    (0..sorted.len()).filter(|&index| !is_middle(index)).map(|index| sorted[index]).collect()
}

fn is_on_or_below(here: Vector, a: Vector, b: Vector) -> bool {
    let (to_here, to_b) = (minus(here, a), minus(b, a));
    let is_in_line = to_here[0] * to_b[1] == to_here[1] * to_b[0];
    // Along the axis on which the two are apart.
    let axis = usize::from(to_b[0] == 0);
    is_in_line && to_here[2] * to_b[axis].abs() <= to_b[2] * to_here[axis].abs()
}

fn minus(a: Vector, b: Vector) -> Vector {
    [a[0] - b[0], a[1] - b[1], a[2] - b[2]]
}

fn dot(a: Vector, b: Vector) -> i64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

fn cross(a: Vector, b: Vector) -> Vector {
    [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
}
