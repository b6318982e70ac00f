//! The sheet as a page for A4 paper; it needs nothing from outside.

use std::fmt::Write as _;

use super::text::{because, commands, due_text, facts, look_text};
use super::{Sheet, Status};
use crate::html::escaped;
use crate::texts;

const STYLE: &str = "\
@page{size:A4;margin:14mm}\
body{font:11pt/1.35 sans-serif;color:#111;max-width:182mm;margin:1rem auto}\
h1{font-size:15pt;margin:0 0 .4rem}h2{font-size:12pt;margin:1rem 0 .3rem;border-bottom:1px solid #888}\
h3{font-size:11pt;margin:.6rem 0 .1rem}p{margin:.2rem 0}small{color:#333}\
ul{list-style:none;margin:.2rem 0;padding:0}li{padding-left:7mm;position:relative;margin:.25rem 0;break-inside:avoid}\
li::before{content:'';position:absolute;left:0;top:.15em;width:3.4mm;height:3.4mm;border:1px solid #111}\
section{break-inside:avoid}pre{font-size:8.5pt;white-space:pre-wrap;margin:.2rem 0}\
.line{border-bottom:1px solid #111;display:inline-block;width:52mm}";

/// The page of the engine in `memory`.
#[must_use]
pub fn to_html(sheet: &Sheet, memory: &str) -> String {
    let mut page = String::from("<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">");
    add(&mut page, format_args!("<title>{0}</title><style>{STYLE}</style></head><body>\n", texts::SHEET_TITLE));
    add(&mut page, format_args!("<h1>{}</h1>\n", texts::SHEET_TITLE));
    for fact in facts(sheet, memory) {
        add(&mut page, format_args!("<p>{}</p>\n", escaped(&fact)));
    }
    page.push_str("<p>Checked on <span class=\"line\"></span> by <span class=\"line\"></span></p>\n");
    add(&mut page, format_args!("<p><small>{}</small></p>\n", texts::CAUTIONS));
    let due = sheet.lines.iter().map(|line| {
        let text = escaped(&due_text(line));
        if line.status == Status::Due { format!("<b>{text}</b>") } else { text }
    });
    add_list(&mut page, texts::SHEET_PLAN, due);
    if !sheet.tasks.is_empty() {
        add(&mut page, format_args!("<h2>{}</h2>\n", texts::SHEET_RECORD));
    }
    for task in &sheet.tasks {
        add(&mut page, format_args!("<section><p>{}</p><ul>", escaped(&because(task))));
        for look in &task.looks {
            add(&mut page, format_args!("<li>{}</li>", escaped(&look_text(look))));
        }
        page.push_str("</ul></section>\n");
    }
    let generic = sheet.generic.iter().map(|(item, interval)| escaped(&format!("{}: {interval}", item.name())));
    add_list(&mut page, texts::SHEET_GENERIC, generic);
    add(&mut page, format_args!("<h2>{}</h2>\n", texts::SHEET_WALK));
    for area in texts::AREAS {
        add(&mut page, format_args!("<section><h3>{}</h3><p><small>{}</small></p><ul>", area.name, area.fails));
        for look in area.looks {
            add(&mut page, format_args!("<li>{}</li>", escaped(look)));
        }
        page.push_str("</ul></section>\n");
    }
    add(&mut page, format_args!("<h2>{}</h2>\n<pre>", texts::SHEET_SIGN));
    add(&mut page, format_args!("{}</pre>\n</body></html>\n", escaped(&commands(sheet, memory).join("\n"))));
    page
}

/// A heading and boxes to tick; nothing where there is nothing to tick.
fn add_list(page: &mut String, heading: &str, lines: impl Iterator<Item = String>) {
    let mut lines = lines.peekable();
    if lines.peek().is_none() {
        return;
    }
    add(page, format_args!("<h2>{heading}</h2>\n<ul>"));
    for line in lines {
        add(page, format_args!("<li>{line}</li>\n"));
    }
    page.push_str("</ul>\n");
}

fn add(page: &mut String, text: std::fmt::Arguments<'_>) {
    // Writing to a String cannot fail.
    let _ = page.write_fmt(text);
}
