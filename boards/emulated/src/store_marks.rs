//! Marks around each call of the store, one end for each kind of work.

use board_app::endurance::Task;
use monitor_core::ledger::store::Work;

/// Calls the markers below. Their names are read by the project's checks: `mark_TASK_begins`, `mark_TASK_WORK`.
#[derive(Debug)]
pub(crate) struct StoreMarks;

impl semihost::TaskMarks for StoreMarks {
    // Inlined, so that the choice of the beginning is made when compiling and costs no instructions.
    #[inline(always)]
    fn begins(&mut self, task: Task) {
        match task {
            Task::Open => mark_open_begins(),
            Task::Service => mark_service_begins(),
            Task::Append => mark_append_begins(),
            Task::Save => mark_save_begins(),
        }
    }

    #[inline(always)]
    fn ended(&mut self, task: Task, work: Work) {
        match (task, work) {
            (Task::Open, _) => mark_open_ended(),
            (Task::Service, Work::Nothing) => mark_service_nothing(),
            (Task::Service, Work::Looked) => mark_service_looked(),
            (Task::Service, Work::Wrote) => mark_service_wrote(),
            (Task::Service, Work::Erased) => mark_service_erased(),
            (Task::Append, Work::Nothing | Work::Looked) => mark_append_looked(),
            (Task::Append, Work::Wrote) => mark_append_wrote(),
            (Task::Append, Work::Erased) => mark_append_erased(),
            (Task::Save, Work::Nothing | Work::Looked) => {}
            (Task::Save, Work::Wrote) => mark_save_wrote(),
            (Task::Save, Work::Erased) => mark_save_erased(),
        }
    }
}

markers! {
    mark_open_begins: 1;
    mark_open_ended: 2;
    mark_service_begins: 3;
    mark_service_nothing: 4;
    mark_service_wrote: 5;
    mark_service_erased: 6;
    mark_append_begins: 7;
    mark_append_wrote: 8;
    mark_append_erased: 9;
    mark_save_begins: 10;
    mark_save_wrote: 11;
    mark_save_erased: 12;
    mark_service_looked: 13;
    mark_append_looked: 14;
}
