//! Reads rows on a thread of its own, a few batches ahead of whoever works on them.

use std::sync::mpsc::{self, Receiver, Sender, SyncSender};
use std::thread;

use super::{Row, TraceReader};
use crate::problem::Problem;

/// Rows that change hands at once: few enough to stay in the cache of a core.
const BATCH: usize = 256;
/// Batches under way. Memory stays flat: the reader waits for one that was worked off.
const BATCHES: usize = 4;

/// Some rows, and how the trace ended if it did behind them.
struct Batch {
    rows: Vec<Row>,
    end: Option<Result<(), Problem>>,
}

/// Gives `work` a function that returns row after row, as [`TraceReader::next_row`] does.
///
/// The rows of a file are read on another thread where there is a second core. Those of a pipe are not: somebody may wait
/// for what its last row brings.
pub(crate) fn with_rows<T>(
    reader: &mut TraceReader,
    work: impl FnOnce(&mut dyn FnMut() -> Result<Option<Row>, Problem>) -> T,
) -> T {
    if !reader.is_file || thread::available_parallelism().is_ok_and(|cores| cores.get() < 2) {
        return work(&mut || reader.next_row());
    }
    thread::scope(|scope| {
        let (full_sender, full) = mpsc::sync_channel(BATCHES);
        let (empty, empty_receiver) = mpsc::channel();
        for _ in 0..BATCHES {
            // The other end is still in this function.
            let _ = empty.send(Vec::with_capacity(BATCH));
        }
        scope.spawn(move || read_ahead(reader, &full_sender, &empty_receiver));
        let mut ahead = Ahead { full, empty, rows: Vec::new(), at: 0, end: None };
        work(&mut || ahead.next_row())
    })
}

/// Fills batches until the trace ends or nobody takes them any more.
fn read_ahead(reader: &mut TraceReader, full: &SyncSender<Batch>, empty: &Receiver<Vec<Row>>) {
    while let Ok(mut rows) = empty.recv() {
        let mut end = None;
        while rows.len() < BATCH && end.is_none() {
            match reader.next_row() {
                Ok(Some(row)) => rows.push(row),
                Ok(None) => end = Some(Ok(())),
                Err(problem) => end = Some(Err(problem)),
            }
        }
        let is_over = end.is_some();
        if full.send(Batch { rows, end }).is_err() || is_over {
            return;
        }
    }
}

/// The end at which rows come out.
struct Ahead {
    full: Receiver<Batch>,
    empty: Sender<Vec<Row>>,
    rows: Vec<Row>,
    at: usize,
    end: Option<Result<(), Problem>>,
}

impl Ahead {
    fn next_row(&mut self) -> Result<Option<Row>, Problem> {
        loop {
            if let Some(row) = self.rows.get(self.at) {
                self.at += 1;
                return Ok(Some(*row));
            }
            if let Some(end) = &self.end {
                return end.clone().map(|()| None);
            }
            // The reader ends only behind a batch that says how.
            let Ok(batch) = self.full.recv() else { return Ok(None) };
            let mut worked_off = std::mem::replace(&mut self.rows, batch.rows);
            worked_off.clear();
            // A reader that is through needs no more of them.
            let _ = self.empty.send(worked_off);
            (self.at, self.end) = (0, batch.end);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::TraceFile;
    use super::*;

    fn rows_of(text: &str, at_most: usize) -> (Vec<i64>, Result<(), String>, u64) {
        let file = TraceFile::new("a.csv", text);
        let mut reader = file.open().unwrap();
        let (stamps, end) = with_rows(&mut reader, |next| {
            let mut stamps = Vec::new();
            while stamps.len() < at_most {
                match next() {
                    Ok(Some(row)) => stamps.push(row.stamp.as_millis() / 1_000),
                    Ok(None) => {
                        assert_eq!(next(), Ok(None), "the end stays the end");
                        break;
                    }
                    Err(problem) => return (stamps, Err(problem.cause)),
                }
            }
            (stamps, Ok(()))
        });
        (stamps, end, reader.rows_read())
    }

    #[test]
    fn rows_come_in_their_order_whatever_their_number() {
        for count in [1, 2, BATCH - 1, BATCH, BATCH + 1, BATCH * BATCHES, BATCH * BATCHES + 1, 10 * BATCH * BATCHES + 7]
        {
            let text: String = (0..count).map(|second| format!("{second},3000\n")).collect();
            let (stamps, end, read) = rows_of(&format!("t_s,rpm\n{text}"), usize::MAX);
            assert_eq!((end, read), (Ok(()), count as u64), "{count} rows");
            assert!(stamps.iter().copied().eq(0..count as i64), "{count} rows");
        }
    }

    #[test]
    fn a_problem_comes_behind_the_rows_and_early_leave_ends_the_reader() {
        let (stamps, end, _) = rows_of("t_s,rpm\nx,1\n", usize::MAX);
        assert!(stamps.is_empty() && end.is_err_and(|cause| cause.contains("No row")), "{stamps:?}");
        let text: String = (0..100_000).map(|second| format!("{second},3000\n")).collect();
        let (stamps, _, read) = rows_of(&format!("t_s,rpm\n{text}"), 3);
        assert_eq!(stamps, [0, 1, 2]);
        assert!(read < 100_000, "the reader stops when nobody takes its rows: {read}");
    }
}
