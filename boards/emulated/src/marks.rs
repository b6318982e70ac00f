//! Places in the image between which an emulator plugin counts instructions.

/// Calls the markers below.
#[derive(Debug)]
pub(crate) struct Marks;

impl board_app::Marks for Marks {
    fn step_begins(&mut self) {
        mark_step_begins();
    }
    fn step_ended(&mut self) {
        mark_step_ended();
    }
    fn signals_begin(&mut self) {
        mark_signals_begin();
    }
    fn signals_ended(&mut self) {
        mark_signals_ended();
    }
}

markers! {
    mark_step_begins: 1;
    mark_step_ended: 2;
    mark_signals_begin: 3;
    mark_signals_ended: 4;
}
