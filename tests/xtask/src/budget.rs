//! The promises of the design that are measured on the boards.

/// Greatest mean of the instructions of one `step` on a Cortex-M0.
pub(crate) const STEP_MEAN: u64 = 3_000;
/// Greatest number of instructions of one `step` on a Cortex-M0.
pub(crate) const STEP_WORST: u64 = 10_000;
/// Greatest number of instructions of one `signals` on a Cortex-M0.
pub(crate) const SIGNALS_WORST: u64 = 200;
/// Flash, in bytes, for the core; measured on an image whose functions that read recordings are taken off. The store is
/// not in that image: see decision 107.
pub(crate) const FLASH_BYTES: u64 = 48 * 1024;
/// RAM, in bytes, for the monitor.
pub(crate) const MONITOR_BYTES: u64 = 4 * 1024;
/// Greatest number of instructions of one call of the store on a Cortex-M0, opening left out: at 16 MHz, of which a core
/// makes about 12 million instructions a second, 4 ms.
pub(crate) const STORE_CALL_WORST: u64 = 50_000;
/// Greatest number of instructions of opening the store, once at power-up.
pub(crate) const STORE_OPEN_WORST: u64 = 3_000_000;
/// Deepest stack of a call of the store, in bytes: what it takes since the service plan lies in the settings, not what is
/// promised. See decision 107.
pub(crate) const STORE_STACK_BYTES: u64 = 2_600;
/// Deepest stack, in bytes.
pub(crate) const STACK_BYTES: u64 = 2 * 1024;

/// `name value of budget`, and whether it is kept.
pub(crate) fn compare(name: &str, value: u64, budget: u64) -> (String, bool) {
    (format!("{name} {value} of {budget}"), value <= budget)
}

/// The measured values in one line, failed if any is over its budget.
pub(crate) fn judge(measured: &[(&str, u64, u64)]) -> crate::plan::Outcome {
    let compared: Vec<_> = measured.iter().map(|(name, value, budget)| compare(name, *value, *budget)).collect();
    let text = compared.iter().map(|(text, _)| text.as_str()).collect::<Vec<_>>().join(", ");
    let over: Vec<_> = compared.iter().filter(|(_, kept)| !kept).map(|(text, _)| text.as_str()).collect();
    if over.is_empty() {
        crate::plan::Outcome::Passed(text)
    } else {
        crate::plan::Outcome::Failed(format!("over budget: {} (all: {text})", over.join(", ")))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::Outcome;

    #[test]
    fn a_value_over_its_budget_is_named() {
        let kept = judge(&[("a", 9, 10), ("b", 10, 10)]);
        assert_eq!(kept, Outcome::Passed("a 9 of 10, b 10 of 10".to_owned()));
        let over = judge(&[("a", 9, 10), ("b", 11, 10)]);
        assert_eq!(over, Outcome::Failed("over budget: b 11 of 10 (all: a 9 of 10, b 11 of 10)".to_owned()));
    }
}
