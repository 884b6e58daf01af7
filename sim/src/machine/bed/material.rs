//! What plates are made of: typical figures, not for design.

use crate::scenario::Material;

/// Figures of a material.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Properties {
    /// Young's modulus.
    pub modulus_gpa: f64,
    /// Poisson's ratio.
    pub poisson: f64,
    /// Density.
    pub density_kg_m3: f64,
    /// Growth of a length with temperature, in millionths per kelvin, about 20 to 100 °C.
    pub expansion_ppm_per_k: f64,
}

impl Material {
    /// Typical figures; makers' sheets differ among each other by about 2 % (metals) to 5 % (glass).
    pub(crate) const fn properties(self) -> Properties {
        let [modulus_gpa, poisson, density_kg_m3, expansion_ppm_per_k] = match self {
            // Aluminum Association typical values (MP-1).
            Self::Aluminium6061 => [68.9, 0.33, 2700.0, 23.6],
            // ASM data page, mean of tension and compression (MP-2).
            Self::Aluminium5083 => [71.0, 0.33, 2660.0, 23.8],
            // EN 572-1 as quoted on data pages (MP-4).
            Self::FloatGlass => [70.0, 0.2, 2500.0, 9.0],
            // ISO 3585 and ISO 7991 as quoted by a maker (MP-3).
            Self::BorosilicateGlass => [63.0, 0.2, 2230.0, 3.3],
            // Modulus from a data page; expansion as in the GUM's example H.1; the others from memory (MP-6).
            Self::SpringSteel => [207.0, 0.29, 7850.0, 11.5],
            // A wire maker's sheet after EN 10270-3; expansion of 1.4310 from EN 10088 (EN-1); it and Poisson's ratio from
            // memory (MP-5).
            Self::StainlessSpringSteel => [190.0, 0.3, 7900.0, 16.0],
        };
        Properties { modulus_gpa, poisson, density_kg_m3, expansion_ppm_per_k }
    }
}
