//! What a bed is assumed to be: six free terms, and a rough part by its covariance.
//!
//! Surveys of one plate share its bow and its rough part. Screws are turned between them, so each has a plane and a twist
//! of its own, and the shape drifts from each survey to the next one.

/// Terms without a prior: height, two tilts, twist and two bows.
pub(super) const FREE_TERMS: usize = 6;

/// Those of them that screws change: plane and twist.
pub(super) const SCREW_TERMS: usize = 4;

/// A place in spans of the readings, from −0.5 to 0.5 within them.
pub(super) type Place = [f64; 2];

/// Where the readings lie; both axes are measured in their spans, so that wide and deep beds are alike.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Frame {
    middle_um: [f64; 2],
    span_um: [f64; 2],
}

impl Frame {
    /// The frame of some places; none if all of them have one X or one Y.
    pub(super) fn of(places: impl IntoIterator<Item = (i32, i32)>) -> Option<Self> {
        let mut ends = [(f64::INFINITY, f64::NEG_INFINITY); 2];
        for (x_um, y_um) in places {
            for ((low, high), um) in ends.iter_mut().zip([x_um, y_um].map(f64::from)) {
                (*low, *high) = (low.min(um), high.max(um));
            }
        }
        let span_um = ends.map(|(low, high)| high - low);
        let is_wide = span_um.iter().all(|span| *span > 0.0);
        is_wide.then_some(Self { middle_um: ends.map(|(low, high)| (low + high) / 2.0), span_um })
    }

    pub(super) fn place(&self, x_um: f64, y_um: f64) -> Place {
        [(x_um - self.middle_um[0]) / self.span_um[0], (y_um - self.middle_um[1]) / self.span_um[1]]
    }
}

/// The free terms at a place.
pub(super) fn free_terms([x, y]: Place) -> [f64; FREE_TERMS] {
    [1.0, x, y, x * y, x * x, y * y]
}

/// The free terms of a survey among all those of `surveys` surveys; `age` 0 is the newest one. Its own six come first,
/// then the screws' terms of each older one.
pub(super) fn terms_of(place: Place, age: usize, surveys: usize) -> impl Iterator<Item = f64> {
    let [screws @ .., x_bow, y_bow] = free_terms(place);
    let nothing = [0.0; SCREW_TERMS];
    let of_survey = move |at: usize| if at == age { screws } else { nothing };
    of_survey(0).into_iter().chain([x_bow, y_bow]).chain((1..surveys).flat_map(of_survey))
}

/// Matérn's covariance with ν = 5/2 for unit spread (Rasmussen and Williams 2006, eq. 4.17).
pub(super) fn matern_5_2([x, y]: Place, [u, v]: Place, length: f64) -> f64 {
    let distance = 5.0_f64.sqrt() * (x - u).hypot(y - v) / length;
    (1.0 + distance + distance * distance / 3.0) * (-distance).exp()
}
