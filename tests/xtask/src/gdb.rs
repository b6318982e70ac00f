//! A debugger's side of the remote serial protocol of GDB, as far as QEMU's stub has to be asked: memory, registers, one
//! breakpoint, run, stop, reset.
//!
//! The protocol is described in the manual of GDB, appendix "GDB Remote Serial Protocol".

use std::io::{Read, Write};
use std::os::unix::net::UnixStream;
use std::path::Path;
use std::thread::sleep;
use std::time::{Duration, Instant};

/// The emulator is there within this time or not at all.
const CONNECT_LIMIT: Duration = Duration::from_secs(20);
/// Longer than anything that is asked for takes.
const ANSWER_LIMIT: Duration = Duration::from_secs(30);
/// Bytes of memory in one packet: QEMU takes packets of 4,096 characters, two for each byte.
const BYTES_A_PACKET: usize = 1_024;
/// What interrupts a processor that runs.
const INTERRUPT: u8 = 0x03;

/// A connection to the stub.
#[derive(Debug)]
pub(crate) struct Debugger {
    stream: UnixStream,
    /// What has arrived and not been looked at.
    arrived: Vec<u8>,
}

impl Debugger {
    /// Waits for the socket at `path` and connects.
    pub(crate) fn connect(path: &Path) -> Result<Self, String> {
        let start = Instant::now();
        let stream = loop {
            match UnixStream::connect(path) {
                Ok(stream) => break stream,
                Err(error) if start.elapsed() > CONNECT_LIMIT => return Err(format!("{}: {error}", path.display())),
                Err(_) => sleep(Duration::from_millis(5)),
            }
        };
        stream.set_read_timeout(Some(ANSWER_LIMIT)).map_err(told)?;
        Ok(Self { stream, arrived: Vec::new() })
    }

    /// Reads `length` bytes of memory.
    pub(crate) fn read(&mut self, address: u32, length: usize) -> Result<Vec<u8>, String> {
        let mut bytes = Vec::with_capacity(length);
        while bytes.len() < length {
            let count = BYTES_A_PACKET.min(length - bytes.len());
            let place = place(address, bytes.len())?;
            let piece = from_hex(&self.ask(&format!("m{place:x},{count:x}"))?)?;
            if piece.len() != count {
                return Err(format!("{} bytes at {place:#x} instead of {count}", piece.len()));
            }
            bytes.extend(piece);
        }
        Ok(bytes)
    }

    /// Writes memory, flash too, past all rules of its controller.
    pub(crate) fn write(&mut self, address: u32, bytes: &[u8]) -> Result<(), String> {
        for (number, piece) in bytes.chunks(BYTES_A_PACKET).enumerate() {
            let place = place(address, number * BYTES_A_PACKET)?;
            self.expect_ok(&format!("M{place:x},{:x}:{}", piece.len(), to_hex(piece)))?;
        }
        Ok(())
    }

    /// The first registers of the processor.
    pub(crate) fn registers<const N: usize>(&mut self) -> Result<[u32; N], String> {
        let bytes = from_hex(&self.ask("g")?)?;
        let mut registers = [0; N];
        let (words, _) = bytes.as_chunks::<4>();
        if words.len() < N {
            return Err(format!("{} registers instead of {N}", words.len()));
        }
        for (register, word) in registers.iter_mut().zip(words) {
            *register = u32::from_le_bytes(*word);
        }
        Ok(registers)
    }

    /// Stops the processor whenever it comes to `address`.
    pub(crate) fn break_at(&mut self, address: u32) -> Result<(), String> {
        self.expect_ok(&format!("Z1,{address:x},2"))
    }

    /// Lets the processor run on from the breakpoint where it stands: QEMU would stop there again and again.
    pub(crate) fn go_on_from(&mut self, address: u32) -> Result<(), String> {
        self.expect_ok(&format!("z1,{address:x},2"))?;
        self.send("s")?;
        self.wait_for_break()?;
        self.break_at(address)?;
        self.go()
    }

    /// Lets the processor run.
    pub(crate) fn go(&mut self) -> Result<(), String> {
        self.send("c")
    }

    /// Waits until the processor stands at the breakpoint.
    pub(crate) fn wait_for_break(&mut self) -> Result<(), String> {
        let answer = self.receive()?;
        // Signal 5 is a breakpoint.
        if answer.starts_with("T05") { Ok(()) } else { Err(format!("the processor stopped otherwise: {answer}")) }
    }

    /// Stops the processor wherever it is.
    pub(crate) fn interrupt(&mut self) -> Result<(), String> {
        self.stream.write_all(&[INTERRUPT]).map_err(told)?;
        let answer = self.receive()?;
        // Signal 2 is an interruption.
        if answer.starts_with("T02") { Ok(()) } else { Err(format!("the processor stopped otherwise: {answer}")) }
    }

    /// Resets the machine; it stands then, before its first instruction.
    pub(crate) fn reset(&mut self) -> Result<(), String> {
        self.send(&format!("qRcmd,{}", to_hex(b"system_reset")))?;
        loop {
            match self.receive()?.as_str() {
                "OK" => return Ok(()),
                // Something for the user to read.
                answer if answer.starts_with('O') => {}
                answer => return Err(format!("the machine was not reset: {answer}")),
            }
        }
    }

    fn expect_ok(&mut self, question: &str) -> Result<(), String> {
        let answer = self.ask(question)?;
        let shown = question.split(':').next().unwrap_or_default();
        if answer == "OK" { Ok(()) } else { Err(format!("{shown} was answered with \"{answer}\"")) }
    }

    fn ask(&mut self, question: &str) -> Result<String, String> {
        self.send(question)?;
        self.receive()
    }

    fn send(&mut self, text: &str) -> Result<(), String> {
        self.stream.write_all(&packet(text)).map_err(told)
    }

    /// The next packet from the stub.
    fn receive(&mut self) -> Result<String, String> {
        let mut piece = [0; 4_096];
        loop {
            if let Some((text, length)) = unpack(&self.arrived)? {
                self.arrived.drain(..length);
                self.stream.write_all(b"+").map_err(told)?;
                return Ok(text);
            }
            let count = self.stream.read(&mut piece).map_err(told)?;
            if count == 0 {
                return Err("the emulator has gone".to_owned());
            }
            self.arrived.extend_from_slice(&piece[..count]);
        }
    }
}

fn told(error: std::io::Error) -> String {
    format!("the emulator's debugger: {error}")
}

fn place(address: u32, offset: usize) -> Result<u32, String> {
    let offset = u32::try_from(offset).map_err(|error| error.to_string())?;
    address.checked_add(offset).ok_or_else(|| format!("{address:#x} and {offset} bytes are behind the last address"))
}

/// `$text#sum`, the sum of all characters in two digits.
fn packet(text: &str) -> Vec<u8> {
    format!("${text}#{:02x}", sum(text.as_bytes())).into_bytes()
}

fn sum(text: &[u8]) -> u8 {
    text.iter().fold(0, |sum: u8, byte| sum.wrapping_add(*byte))
}

/// The first whole packet in what has arrived, and how many bytes it took; acknowledgements before it are passed over.
fn unpack(arrived: &[u8]) -> Result<Option<(String, usize)>, String> {
    let Some(begin) = arrived.iter().position(|byte| *byte == b'$') else { return Ok(None) };
    let Some(length) = arrived[begin..].iter().position(|byte| *byte == b'#') else { return Ok(None) };
    let end = begin + length;
    let Some(digits) = arrived.get(end + 1..end + 3) else { return Ok(None) };
    let text = &arrived[begin + 1..end];
    let text_read = String::from_utf8_lossy(text).into_owned();
    if from_hex(&String::from_utf8_lossy(digits))? != [sum(text)] {
        return Err(format!("the emulator's debugger: a packet with a wrong sum: {text_read}"));
    }
    Ok(Some((text_read, end + 3)))
}

fn to_hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

fn from_hex(text: &str) -> Result<Vec<u8>, String> {
    let wrong = || format!("no hexadecimal digits: {text}");
    let (pairs, rest) = text.as_bytes().as_chunks::<2>();
    if !rest.is_empty() {
        return Err(wrong());
    }
    let byte = |pair: &[u8; 2]| {
        let digits = std::str::from_utf8(pair).ok()?;
        u8::from_str_radix(digits, 16).ok()
    };
    pairs.iter().map(|pair| byte(pair).ok_or_else(wrong)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn packets_have_the_sum_of_the_manual() {
        // The manual's own example of a packet is the empty one; the sum is that of all characters modulo 256.
        assert_eq!(packet(""), b"$#00");
        assert_eq!(packet("OK"), b"$OK#9a");
        assert_eq!(packet("m30000,4"), b"$m30000,4#c0");
    }

    #[test]
    fn packets_are_found_in_what_arrives() {
        let cases = [
            ("whole", "$OK#9a", Some(("OK", 6))),
            ("after an acknowledgement", "+$OK#9a$", Some(("OK", 7))),
            ("empty", "$#00", Some(("", 4))),
            ("without its sum", "$OK#9", None),
            ("without its end", "$OK", None),
            ("acknowledgement only", "+", None),
        ];
        for (name, arrived, expected) in cases {
            let expected = expected.map(|(text, length)| (text.to_owned(), length));
            assert_eq!(unpack(arrived.as_bytes()), Ok(expected), "{name}");
        }
        assert!(unpack(b"$OK#9b").unwrap_err().contains("wrong sum"));
    }

    #[test]
    fn bytes_go_through_hexadecimal_digits() {
        assert_eq!(to_hex(&[0, 0x9A, 0xFF]), "009aff");
        assert_eq!(from_hex("009aff"), Ok(vec![0, 0x9A, 0xFF]));
        for wrong in ["0", "zz", "E01"] {
            assert!(from_hex(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn a_debugger_talks_to_a_stub() {
        let (ours, mut theirs) = UnixStream::pair().unwrap();
        let mut debugger = Debugger { stream: ours, arrived: Vec::new() };
        // What the stub is going to answer, in the order in which it is asked.
        for answer in ["0a0b", "OK", "T05thread:01;", "OK", "T05thread:01;", "OK", "T05thread:01;", "O68690a", "OK"] {
            theirs.write_all(b"+").unwrap();
            theirs.write_all(&packet(answer)).unwrap();
        }
        assert_eq!(debugger.read(0x3_0000, 2), Ok(vec![0x0A, 0x0B]));
        assert_eq!(debugger.write(0x3_0000, &[1, 2]), Ok(()));
        debugger.go().unwrap();
        assert_eq!(debugger.wait_for_break(), Ok(()));
        debugger.go_on_from(0x40).unwrap();
        assert_eq!(debugger.wait_for_break(), Ok(()));
        assert_eq!(debugger.reset(), Ok(()));
        theirs.write_all(&packet("E14")).unwrap();
        assert!(debugger.break_at(0x100).unwrap_err().contains("E14"));
        drop(debugger);
        let mut asked = String::new();
        theirs.read_to_string(&mut asked).unwrap();
        let mut rest = asked.as_str();
        let expected = [
            "$m30000,2#",
            "$M30000,2:0102#",
            "$c#63",
            "$z1,40,2#",
            "$s#73",
            "$Z1,40,2#",
            "$c#63",
            "$qRcmd,73797374656d5f7265736574#",
            "$Z1,100,2#",
        ];
        for question in expected {
            let (_, after) = rest.split_once(question).unwrap_or_else(|| panic!("{question} in {rest}"));
            rest = after;
        }
    }
}
