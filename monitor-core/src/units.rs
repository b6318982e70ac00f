//! Units as types: every quantity of the core is an integer in a unit that its type names.
//!
//! The resolutions are chosen so that no channel needs a fraction and every value fits 32 bits.

/// Declares one integer quantity with a constructor and a reader that name the unit.
macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $from:ident, $as:ident, $unit:literal) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
        #[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
        #[cfg_attr(feature = "defmt", derive(defmt::Format))]
        pub struct $name(i32);

        impl $name {
            #[doc = concat!("From a number of ", $unit, ".")]
            #[must_use]
            pub const fn $from(value: i32) -> Self {
                Self(value)
            }

            #[doc = concat!("The number of ", $unit, ".")]
            #[must_use]
            pub const fn $as(self) -> i32 {
                self.0
            }
        }

        impl Quantity for $name {
            fn from_raw(raw: i32) -> Self {
                Self(raw)
            }

            fn raw(self) -> i32 {
                self.0
            }
        }
    };
}

/// A quantity stored as one 32-bit integer in its own unit.
pub trait Quantity: Copy {
    /// From the integer in this quantity's unit.
    fn from_raw(raw: i32) -> Self;
    /// The integer in this quantity's unit.
    fn raw(self) -> i32;
}

quantity!(
    /// Engine speed in quarters of a revolution per minute.
    Rpm, from_quarter_rpm, as_quarter_rpm, "quarter revolutions per minute"
);
quantity!(
    /// Temperature in thousandths of a degree Celsius.
    Temperature, from_millicelsius, as_millicelsius, "thousandths of a degree Celsius"
);
quantity!(
    /// Water flow in millilitres per minute.
    Flow, from_millilitres_per_minute, as_millilitres_per_minute, "millilitres per minute"
);
quantity!(
    /// Voltage in millivolts.
    Voltage, from_millivolts, as_millivolts, "millivolts"
);
quantity!(
    /// Speed over ground in thousandths of a knot.
    Speed, from_milliknots, as_milliknots, "thousandths of a knot"
);
quantity!(
    /// Pressure in pascals.
    Pressure, from_pascals, as_pascals, "pascals"
);

impl Rpm {
    /// From whole revolutions per minute; saturates far above any engine.
    #[must_use]
    pub const fn from_whole_rpm(rpm: i32) -> Self {
        Self(rpm.saturating_mul(4))
    }
}
