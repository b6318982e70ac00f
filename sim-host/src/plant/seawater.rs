//! Density and heat capacity of the raw water.

/// Fresh to sea water at normal pressure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seawater {
    /// Density, kilograms a cubic metre.
    pub density_kg_per_m3: f64,
    /// Heat capacity at constant pressure, joules a kilogram and kelvin.
    pub heat_capacity_j_per_kg_k: f64,
}

impl Seawater {
    /// Properties at `celsius` and an absolute salinity of `salinity_g_per_kg`.
    ///
    /// Two polynomials fitted by least squares to TEOS-10 at 0 to 40 °C and 0 to 35.165 g/kg: within 0.04 kg/m3 and
    /// 1.6 J/(kg K). Values beyond that are taken at its edge.
    #[must_use]
    pub fn at(celsius: f64, salinity_g_per_kg: f64) -> Self {
        let t = celsius.clamp(0.0, 40.0);
        let s = salinity_g_per_kg.clamp(0.0, 35.165_04);
        let fresh_density = 999.88 + t * (0.056_509_3 + t * (-8.029_08e-3 + t * (5.700_28e-5 - t * 2.869_46e-7)));
        let salt_density = s * (0.802_004 + t * (-3.018_74e-3 + t * 3.193_88e-5) + s * 1.718_19e-5);
        let fresh_capacity = 4_217.83 + t * (-3.071_49 + t * (0.096_167_6 + t * (-1.600_95e-3 + t * 1.326_46e-5)));
        let salt_capacity = s * (-7.059_98 + t * (0.083_888_3 - t * 1.078_2e-3) + s * 0.013_423_3);
        Self {
            density_kg_per_m3: fresh_density + salt_density,
            heat_capacity_j_per_kg_k: fresh_capacity + salt_capacity,
        }
    }

    /// Heat that a litre takes up for a kelvin, joules.
    #[must_use]
    pub fn j_per_litre_k(&self) -> f64 {
        self.density_kg_per_m3 * self.heat_capacity_j_per_kg_k * 1e-3
    }
}
