//! Each rule of the simulated flash, and that it can fail.

use embedded_storage::nor_flash::{NorFlash, NorFlashError as _, NorFlashErrorKind, ReadNorFlash};
use powercut::{Counts, SimError, SimFlash, Tear};

type Flash = SimFlash<4, 256>;

fn read<const WORD: usize, const PAGE: usize>(flash: &mut SimFlash<WORD, PAGE>, offset: u32, length: usize) -> Vec<u8> {
    let mut bytes = vec![0; length];
    flash.read(offset, &mut bytes).expect("a read inside the flash");
    bytes
}

#[test]
fn refuses_what_the_contract_forbids() {
    type Call = fn(&mut Flash) -> Result<(), SimError>;
    let cases: [(&str, Call, Result<(), SimError>); 14] = [
        ("write of two words", |flash| flash.write(4, &[1; 8]), Ok(())),
        ("write of nothing", |flash| flash.write(4, &[]), Ok(())),
        ("write at half a word", |flash| flash.write(2, &[1; 4]), Err(SimError::NotAligned { offset: 2 })),
        ("write of half a word", |flash| flash.write(4, &[1; 6]), Err(SimError::NotAligned { offset: 4 })),
        ("write past the end", |flash| flash.write(508, &[1; 8]), Err(SimError::OutOfBounds { offset: 508 })),
        (
            "second write",
            |flash| flash.write(8, &[1; 4]).and_then(|()| flash.write(8, &[1; 4])),
            Err(SimError::WrittenTwice { offset: 8 }),
        ),
        (
            "second write inside a longer one",
            |flash| flash.write(8, &[1; 4]).and_then(|()| flash.write(0, &[1; 12])),
            Err(SimError::WrittenTwice { offset: 8 }),
        ),
        (
            "second write of all ones",
            |flash| flash.write(8, &[1; 4]).and_then(|()| flash.write(8, &[0xFF; 4])),
            Err(SimError::WrittenTwice { offset: 8 }),
        ),
        (
            "second write after all ones",
            |flash| flash.write(8, &[0xFF; 4]).and_then(|()| flash.write(8, &[1; 4])),
            Err(SimError::WrittenTwice { offset: 8 }),
        ),
        (
            "write, erase, write",
            |flash| {
                flash.write(8, &[1; 4])?;
                flash.erase(0, 256)?;
                flash.write(8, &[2; 4])
            },
            Ok(()),
        ),
        ("erase of half a page", |flash| flash.erase(0, 128), Err(SimError::NotAligned { offset: 0 })),
        ("erase past the end", |flash| flash.erase(256, 768), Err(SimError::OutOfBounds { offset: 256 })),
        ("erase backwards", |flash| flash.erase(256, 0), Err(SimError::OutOfBounds { offset: 256 })),
        ("read past the end", |flash| flash.read(510, &mut [0; 4]), Err(SimError::OutOfBounds { offset: 510 })),
    ];
    for (name, call, expected) in cases {
        let mut flash = Flash::new(2);
        assert_eq!(call(&mut flash), expected, "{name}");
        assert_eq!(flash.breach(), expected.err(), "{name}: kept for a store that ignores the error");
    }
}

#[test]
fn errors_have_the_kinds_of_the_contract() {
    let cases = [
        (SimError::PowerLost, NorFlashErrorKind::Other),
        (SimError::WrittenTwice { offset: 0 }, NorFlashErrorKind::Other),
        (SimError::TooManyCalls, NorFlashErrorKind::Other),
        (SimError::NotAligned { offset: 0 }, NorFlashErrorKind::NotAligned),
        (SimError::OutOfBounds { offset: 0 }, NorFlashErrorKind::OutOfBounds),
    ];
    for (error, kind) in cases {
        assert_eq!(error.kind(), kind, "{error}");
    }
}

fn keeps_what_it_is_given<const WORD: usize, const PAGE: usize>() {
    let mut flash = SimFlash::<WORD, PAGE>::new(2);
    let second_page = u32::try_from(PAGE).expect("pages are small");
    let value: Vec<u8> = (1..=WORD).map(|byte| u8::try_from(byte).expect("words are short")).collect();
    flash.write(second_page, &value).expect("an erased word takes a write");
    flash.erase(0, second_page).expect("a page erases");
    let name = format!("words of {WORD}, pages of {PAGE}");
    assert_eq!(read(&mut flash, second_page, WORD), value, "{name}: another page's erase changes nothing");
    assert_eq!(read(&mut flash, 0, PAGE), vec![0xFF; PAGE], "{name}");
    assert_eq!(flash.wear(), [1, 0], "{name}");
    let copy = SimFlash::<WORD, PAGE>::from_bytes(flash.bytes().to_vec());
    assert_eq!(copy.bytes(), flash.bytes(), "{name}");
}

#[test]
fn geometry_is_free() {
    keeps_what_it_is_given::<1, 256>();
    keeps_what_it_is_given::<2, 512>();
    keeps_what_it_is_given::<4, 1024>();
    keeps_what_it_is_given::<8, 2048>();
    keeps_what_it_is_given::<16, 8192>();
    keeps_what_it_is_given::<32, 131_072>();
}

#[test]
fn rebuilt_from_bytes_written_words_stay_written() {
    let mut bytes = vec![0xFF; 300];
    bytes[4] = 0x7F;
    let mut flash = Flash::from_bytes(bytes);
    assert_eq!(flash.capacity(), 512, "a page that is not whole is filled up");
    assert_eq!(flash.write(0, &[0; 4]), Ok(()));
    assert_eq!(flash.write(4, &[0; 4]), Err(SimError::WrittenTwice { offset: 4 }));
}

#[test]
fn counts_each_read_write_and_erase() {
    let mut flash = Flash::new(3);
    flash.write(0, &[0; 12]).expect("three words");
    flash.erase(256, 768).expect("two pages");
    read(&mut flash, 1, 7);
    let expected = Counts { reads: 1, bytes_read: 7, word_writes: 3, erases: 2, units: 5 };
    assert_eq!(flash.counts(), expected);
    assert_eq!(flash.wear(), [0, 1, 1]);
    flash.write(512, &[0; 4]).expect("one word");
    let since = flash.counts().since(&expected);
    assert_eq!(since, Counts { word_writes: 1, units: 1, ..Counts::default() });
}

#[test]
fn power_goes_at_the_unit_asked_for() {
    // Five units: three words, one erase, one word.
    for unit in 0..=6 {
        let mut flash = Flash::new(2);
        flash.cut_at(unit, Tear::Prefix, 1);
        let results = [flash.write(0, &[0; 12]), flash.erase(256, 512), flash.write(256, &[0; 4])];
        let done = results.iter().filter(|result| result.is_ok()).count();
        let expected = match unit {
            0..=3 => 0,
            4 => 1,
            5 => 2,
            _ => 3,
        };
        assert_eq!(done, expected, "cut at unit {unit}");
        assert_eq!(flash.counts().units, unit.min(5), "cut at unit {unit}");
        assert_eq!(flash.is_powered(), unit > 5, "cut at unit {unit}");
        if unit <= 5 {
            assert_eq!(flash.read(0, &mut [0; 4]), Err(SimError::PowerLost), "cut at unit {unit}");
            assert_eq!(flash.breach(), None, "a cut is no fault of the store");
        }
        flash.power_up();
        assert_eq!(flash.read(0, &mut [0; 4]), Ok(()), "cut at unit {unit}");
    }
}

#[test]
fn power_up_forgets_a_cut_to_come() {
    let mut flash = Flash::new(1);
    flash.cut_at(2, Tear::Undefined, 1);
    flash.write(0, &[0; 4]).expect("before the cut");
    flash.power_up();
    assert_eq!(flash.write(4, &[0; 4]), Ok(()));
}

/// What the torn word of the second of three can read as, over many seeds.
fn torn_words(tear: Tear) -> Vec<(Vec<u8>, Vec<u8>, Vec<u8>)> {
    let one = |seed| {
        let mut flash = Flash::new(1);
        flash.cut_at(2, tear, seed);
        assert_eq!(flash.write(0, &[0x0F; 12]), Err(SimError::PowerLost));
        flash.power_up();
        (read(&mut flash, 0, 4), read(&mut flash, 4, 4), read(&mut flash, 8, 4))
    };
    (0..2000).map(one).collect()
}

#[test]
fn a_torn_word_ends_in_its_style() {
    let prefixes: Vec<Vec<u8>> =
        (0..=4).map(|done| (0..4).map(|at| if at < done { 0x0F } else { 0xFF }).collect()).collect();
    for tear in Tear::ALL {
        let results = torn_words(tear);
        for (before, torn, after) in &results {
            if tear != Tear::WholeWrite {
                assert_eq!(before, &[0x0F; 4], "{tear:?}: the word before is whole");
                assert_eq!(after, &[0xFF; 4], "{tear:?}: the word after is untouched");
            }
            if tear == Tear::Prefix {
                assert!(prefixes.contains(torn), "{torn:?} is no prefix");
            }
            if tear == Tear::RandomBits {
                assert!(torn.iter().all(|byte| byte & 0x0F == 0x0F), "{torn:?} clears a bit that was to stay");
            }
        }
        let torn = |wanted: &[u8]| results.iter().any(|(_, torn, _)| torn == wanted);
        if matches!(tear, Tear::Prefix | Tear::RandomBits) {
            assert!(torn(&[0x0F; 4]) && torn(&[0xFF; 4]), "{tear:?}: all or nothing of the word can be done");
        }
        let odd = results.iter().any(|(_, torn, _)| torn.iter().any(|byte| byte & 0x0F != 0x0F));
        assert_eq!(odd, matches!(tear, Tear::Undefined | Tear::WholeWrite), "{tear:?}: bits that were to stay");
        let neighbours = results.iter().any(|(before, _, after)| before != &[0x0F; 4] && after != &[0xFF; 4]);
        assert_eq!(neighbours, tear == Tear::WholeWrite, "{tear:?}: neighbours change");
    }
}

#[test]
fn a_torn_word_that_is_not_erased_counts_as_written() {
    for seed in 0..200 {
        let mut flash = Flash::new(1);
        flash.cut_at(1, Tear::Prefix, seed);
        assert_eq!(flash.write(0, &[0; 4]), Err(SimError::PowerLost));
        flash.power_up();
        let untouched = read(&mut flash, 0, 4) == [0xFF; 4];
        assert_eq!(flash.write(0, &[0; 4]).is_ok(), untouched, "seed {seed}");
    }
}

#[test]
fn a_torn_erase_ends_in_its_style() {
    for tear in Tear::ALL {
        let (mut partly, mut cleared_a_one) = (0, 0);
        for seed in 0..200 {
            let mut flash = Flash::from_bytes(vec![0x55; 512]);
            flash.cut_at(1, tear, seed);
            assert_eq!(flash.erase(0, 512), Err(SimError::PowerLost));
            flash.power_up();
            let page = read(&mut flash, 0, 256);
            assert_eq!(read(&mut flash, 256, 256), vec![0x55; 256], "{tear:?}: the page after is untouched");
            assert_eq!(flash.wear(), [1, 0], "{tear:?}: a torn erase wears too");
            let erased = page.iter().filter(|&&byte| byte == 0xFF).count();
            partly += usize::from((1..256).contains(&erased));
            cleared_a_one += usize::from(page.iter().any(|byte| byte & 0x55 != 0x55));
            if tear == Tear::Prefix {
                let edges = page.windows(2).filter(|pair| pair[0] != pair[1]).count();
                assert!(edges <= 1, "seed {seed}: one end is erased, the other is not");
            }
        }
        assert!(partly > 50, "{tear:?}: {partly} pages of 200 half erased");
        assert_eq!(cleared_a_one > 0, matches!(tear, Tear::Undefined | Tear::WholeWrite), "{tear:?}");
    }
}

#[test]
fn an_erase_can_be_all_or_nothing() {
    for tear in Tear::ALL {
        let (mut nothing, mut all) = (0, 0);
        for seed in 0..100 {
            let mut flash = Flash::from_bytes(vec![0x55; 256]);
            flash.set_erases_whole(true);
            flash.set_unstable(true);
            flash.cut_at(1, tear, seed);
            assert_eq!(flash.erase(0, 256), Err(SimError::PowerLost));
            flash.power_up();
            let page = read(&mut flash, 0, 256);
            nothing += u32::from(page == vec![0x55; 256]);
            all += u32::from(page == vec![0xFF; 256]);
        }
        assert_eq!(nothing + all, 100, "{tear:?}");
        assert!(nothing > 20 && all > 20, "{tear:?}: {nothing} untouched, {all} erased");
    }
}

#[test]
fn unstable_words_read_differently_until_erased() {
    let (mut differed, mut read_well, mut mixed) = (0, 0, 0);
    for seed in 0..200 {
        let mut flash = Flash::new(1);
        flash.set_unstable(true);
        flash.cut_at(1, Tear::RandomBits, seed);
        assert_eq!(flash.write(0, &[0x12, 0x34, 0x56, 0x78]), Err(SimError::PowerLost));
        flash.power_up();
        let readings: Vec<Vec<u8>> = (0..12).map(|_| read(&mut flash, 0, 4)).collect();
        let unstable = readings.iter().any(|reading| reading != &readings[0]);
        differed += usize::from(unstable);
        read_well += usize::from(unstable && readings.contains(&vec![0x12, 0x34, 0x56, 0x78]));
        mixed += usize::from(readings.len() > 2 && readings.iter().any(|one| one != &readings[0]));
        if unstable {
            assert!(!readings.contains(&vec![0xFF; 4]), "seed {seed}: an unstable word never reads as erased");
            assert_eq!(flash.write(0, &[0; 4]), Err(SimError::WrittenTwice { offset: 0 }), "seed {seed}");
        }
        flash.erase(0, 256).expect("a page erases");
        for _ in 0..4 {
            assert_eq!(read(&mut flash, 0, 4), [0xFF; 4], "seed {seed}: an erase settles it");
        }
    }
    assert!(differed > 100, "{differed} of 200 words read differently");
    assert!(read_well > 100, "{read_well} of 200 words read well once");
    assert!(mixed > 100, "{mixed} of 200 words read mixed");
}

#[test]
fn a_half_erased_unstable_page_reads_differently() {
    let mut flash = Flash::from_bytes(vec![0; 256]);
    flash.set_unstable(true);
    flash.cut_at(1, Tear::RandomBits, 3);
    assert_eq!(flash.erase(0, 256), Err(SimError::PowerLost));
    flash.power_up();
    let readings: Vec<Vec<u8>> = (0..4).map(|_| read(&mut flash, 0, 256)).collect();
    assert!(readings.windows(2).all(|pair| pair[0] != pair[1]));
}

#[test]
fn the_same_seed_tears_alike() {
    for tear in Tear::ALL {
        assert_eq!(torn_words(tear), torn_words(tear), "{tear:?}");
    }
}

#[test]
fn a_store_that_hangs_is_stopped() {
    let mut flash = Flash::new(1);
    flash.limit_calls(3);
    for _ in 0..3 {
        assert_eq!(flash.read(0, &mut [0]), Ok(()));
    }
    assert_eq!(flash.read(0, &mut [0]), Err(SimError::TooManyCalls));
    flash.power_up();
    assert_eq!(flash.read(0, &mut [0]), Ok(()), "a new power-up, a new allowance");
}
