//! Random numbers that are the same on every machine.
//!
//! The generator is a maintained one; what is drawn from it uses only sums, products and roots, which IEEE 754 fixes.

use rand_pcg::Pcg64Mcg;
use rand_pcg::rand_core::Rng;

/// An even number from 0 up to, but not including, 1.
pub(crate) fn uniform(random: &mut Pcg64Mcg) -> f64 {
    // The upper 53 bits, which a double holds exactly.
    (random.next_u64() >> 11) as f64 * (1.0 / 9_007_199_254_740_992.0)
}

/// About a normal number of mean 0 and variance 1: the sum of four even 16-bit numbers (Irwin-Hall), cut at 3.46.
pub(crate) fn normal(random: &mut Pcg64Mcg) -> f64 {
    let bits = random.next_u64();
    let sum = (bits & 0xFFFF) + ((bits >> 16) & 0xFFFF) + ((bits >> 32) & 0xFFFF) + (bits >> 48);
    // Four even numbers of 0..65535 have the mean 131070 and the variance 4 * (65536^2 - 1) / 12.
    (sum as f64 - 131_070.0) / 37_837.22
}

/// A quantity that wanders around 0 with variance 1 and forgets itself within `memory_s` (Ornstein-Uhlenbeck).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Wander {
    value: f64,
    memory_s: f64,
}

impl Wander {
    pub(super) const fn new(memory_s: f64) -> Self {
        Self { value: 0.0, memory_s }
    }

    /// Moves on by `seconds` with one fresh normal number.
    pub(super) fn advance(&mut self, seconds: f64, fresh: f64) -> f64 {
        // (1 + x)^-1 instead of an exponential: it stays between 0 and 1 for any step and keeps the variance at 1.
        let kept = 1.0 / (1.0 + seconds / self.memory_s);
        self.value = self.value * kept + fresh * (1.0 - kept * kept).sqrt();
        self.value
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand_pcg::rand_core::SeedableRng;

    #[test]
    fn draws_have_the_moments_they_claim() {
        let mut random = Pcg64Mcg::seed_from_u64(1);
        let mut wander = Wander::new(3.0);
        let draws = 200_000;
        let (mut even, mut mean, mut square, mut wandered) = (0.0, 0.0, 0.0, 0.0);
        for _ in 0..draws {
            even += uniform(&mut random);
            let fresh = normal(&mut random);
            mean += fresh;
            square += fresh * fresh;
            let value = wander.advance(0.5, normal(&mut random));
            wandered += value * value;
        }
        let count = f64::from(draws);
        assert!((even / count - 0.5).abs() < 0.003, "mean of even numbers {}", even / count);
        assert!((mean / count).abs() < 0.01, "mean {}", mean / count);
        assert!((square / count - 1.0).abs() < 0.01, "variance {}", square / count);
        assert!((wandered / count - 1.0).abs() < 0.05, "variance of the wander {}", wandered / count);
    }
}
