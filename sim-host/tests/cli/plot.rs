//! `--plot`: one page that needs nothing from outside and says in words what it draws.

use std::fmt::Write as _;

use crate::common::{Folder, Trace, flowing, over_speed};

/// The data of the page's script.
fn data(page: &str) -> serde_json::Value {
    let (_, rest) = page.split_once("id=\"data\">").unwrap();
    serde_json::from_str(rest.split_once("</script>").unwrap().0).unwrap()
}

#[test]
fn the_page_stands_alone_and_shows_what_the_events_say() {
    let folder = Folder::new();
    folder.write("a.csv", over_speed());
    folder.write("b.csv", Trace::started().at(15, 3_000, 97.0).csv());
    let plain = folder.replay("a.csv b.csv --format jsonl");
    let done = folder.replay("a.csv b.csv --format jsonl --plot o.html");
    assert_eq!((done.code, &done.out, &done.err), (Some(0), &plain.out, &plain.err), "a page changes nothing else");
    let page = folder.read("o.html");
    for words in ["src=", "href=", "@import", "url(", "fetch(", "XMLHttpRequest"] {
        assert!(!page.contains(words), "{words}: something would be loaded");
    }
    let said = flowing(&page);
    for words in [
        "Engine trace: Skiff 3",
        "a silent monitor proves nothing",
        "Never run an engine without cooling water",
        "<h2>What was found in trip 0, a.csv</h2>",
        "<span class=\"level warning\">WARNING</span> <strong>Engine speed is over the handbook's maximum</strong>",
        "limit 6000 rpm.",
        "Ease off until the revs are back under the maximum.",
        "<span class=\"level alarm\">ALARM</span> <strong>The head is too hot</strong>",
        "on; it was not over at the end of the trip.",
        "Cannot be found here",
        "<noscript>",
    ] {
        assert!(said.contains(words), "no `{words}`");
    }
    let data = data(&page);
    assert_eq!(data["trips"].as_array().unwrap().len(), 2);
    let trip = &data["trips"][0];
    assert_eq!((&trip["x"][0], &trip["width"]), (&0.into(), &1.into()));
    let names: Vec<_> = trip["channels"].as_array().unwrap().iter().map(|channel| channel["name"].clone()).collect();
    assert_eq!(names, ["rpm", "head", "flow", "supply"]);
    let bound = &trip["channels"][1]["bounds"][0];
    assert_eq!((&bound["label"], &bound["low"], &bound["high"]), (&"limit".into(), &().into(), &95.into()));
    let finding = &trip["findings"][0];
    let events = plain.events();
    assert_eq!(
        (&finding["level"], &finding["from"]),
        (&"W".into(), &(events[0]["t_s"].as_f64().unwrap() as u64).into())
    );
    assert_eq!(finding["to"].as_f64(), events[1]["t_s"].as_f64());
}

#[test]
fn a_long_trip_keeps_its_peaks_and_a_bounded_page() {
    let folder = Folder::new();
    let mut text = String::from("t_s,rpm,head_c\n");
    for second in 0..100_000 {
        let rpm = if second == 77_777 { 5_999 } else { 3_000 + second * 7 % 5 };
        writeln!(text, "{second},{rpm},{}.{}", 62 + second % 2, second % 7).unwrap();
    }
    folder.write("long.csv", text);
    let done = folder.replay("long.csv --format jsonl --plot o.html");
    assert_eq!(done.code, Some(0), "{}", done.err);
    let page = folder.read("o.html");
    assert!(page.len() < 500_000, "{} bytes", page.len());
    let data = data(&page);
    let (trip, rpm) = (&data["trips"][0], &data["trips"][0]["channels"][0]);
    assert_eq!(trip["width"], 16);
    let highs: Vec<_> = rpm["high"].as_array().unwrap().iter().filter_map(serde_json::Value::as_f64).collect();
    let peak = highs.iter().position(|high| (*high - 5_999.0).abs() < 0.5).expect("the one second is there");
    assert_eq!(trip["x"][peak], 77_777 / 16 * 16);
    assert_eq!(rpm["low"][peak], 3_000);
}

#[test]
fn a_finding_that_goes_on_in_the_next_trip_is_shown_there_too() {
    let folder = Folder::new();
    folder.write("a.csv", Trace::started().at(15, 3_000, 97.0).csv());
    let done = folder.replay("a.csv a.csv --format jsonl --plot o.html");
    assert_eq!(done.code, Some(0), "{}", done.err);
    let page = folder.read("o.html");
    assert!(flowing(&page).contains("<p>From an earlier trip"), "{}", done.out);
    assert_eq!(data(&page)["trips"][1]["findings"][0]["from"], 0);
}

#[test]
fn names_cannot_break_the_page_and_places_that_cannot_be_written_are_known_before() {
    let folder = Folder::new();
    folder.write("engine.toml", crate::common::PROFILE.replace("Skiff 3", "</script><b>&"));
    folder.write("<b>.csv", over_speed());
    let done = folder.replay("<b>.csv --format jsonl --plot o.html");
    assert_eq!(done.code, Some(0), "{}", done.err);
    let page = folder.read("o.html");
    assert!(page.contains("&lt;/script&gt;&lt;b&gt;&amp;") && !page.contains("<b>"), "names are shown, not obeyed");
    for (arguments, code) in [
        ("--plot nowhere/o.html", 4),
        ("--plot engine.toml", 2),
        ("--plot <b>.csv", 2),
        ("--plot same --summary same", 2),
    ] {
        let done = folder.replay(&format!("<b>.csv {arguments}"));
        assert_eq!((done.code, done.out.as_str()), (Some(code), ""), "{arguments}: {}", done.err);
    }
    let done = folder.replay("missing.csv --plot none.html");
    assert_eq!(done.code, Some(3), "{}", done.err);
    assert!(folder.read("none.html").contains("Charts"), "a page without trips is a page");
}

/// Needs a browser: `apt-get install chromium`. Pictures are left in the folder for temporary files.
///
/// `cargo test -p sim-host --test cli -- --ignored --nocapture fits_every_screen`
#[test]
#[ignore = "needs a headless browser"]
fn the_page_fits_every_screen() {
    let folder = Folder::new();
    folder.write("a.csv", Trace::started().at(40, 6_400, 62.0).at(60, 3_000, 97.0).at(30, 0, 70.0).csv());
    assert_eq!(folder.replay("a.csv --format jsonl --plot o.html").code, Some(0));
    let page = folder.read("o.html").replace('&', "&amp;").replace('"', "&quot;");
    let mut frames = String::from("<!DOCTYPE html><meta charset=utf-8>");
    for width in [360, 768, 1_280] {
        write!(frames, "<iframe width={width} height=900 style=border:0 srcdoc=\"{page}\"></iframe>").unwrap();
    }
    frames.push_str(
        "<p id=found></p><script>setTimeout(() => { found.textContent = Array.from({ length: frames.length }, (_, i) => frames[i]).map((it) => [it.document.documentElement.clientWidth, \
         it.document.documentElement.scrollWidth, it.document.querySelectorAll('.uplot').length].join(' ')).join('; '); \
         }, 1500)</script>",
    );
    folder.write("frames.html", frames);
    let chromium = |arguments: &[&str]| {
        let mut command = std::process::Command::new("chromium");
        let command = command.args(["--headless", "--no-sandbox", "--disable-gpu", "--virtual-time-budget=4000"]);
        let output = command.args(arguments).current_dir(folder.path()).output();
        output.expect("no chromium; install it, on Debian by apt-get install chromium")
    };
    let place = |name: &str| format!("file://{}/{name}", folder.path().display());
    let output = chromium(&["--window-size=1400,1000", "--dump-dom", &place("frames.html")]);
    let dom = String::from_utf8_lossy(&output.stdout).into_owned();
    let found = dom.split_once("id=\"found\">").and_then(|(_, rest)| rest.split_once("</p>")).unwrap().0;
    let frames: Vec<Vec<u32>> =
        found.split("; ").map(|frame| frame.split(' ').map(|number| number.parse().unwrap()).collect()).collect();
    assert_eq!(frames.len(), 3, "{found}");
    for frame in frames {
        let [inner, needed, charts] = frame[..] else { panic!("{found}") };
        assert!(needed <= inner, "{needed} pixels needed where {inner} are");
        assert_eq!(charts, 6, "run states, findings, four channels");
    }
    for width in [360, 768, 1_280] {
        let picture = std::env::temp_dir().join(format!("lookastern-plot-{width}.png"));
        let (size, target) = (format!("--window-size={width},2400"), format!("--screenshot={}", picture.display()));
        assert!(chromium(&[&size, &target, &place("o.html")]).status.success());
        println!("{}", picture.display());
    }
}
