//! The report as one page of HTML that needs nothing from outside.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use monitor_core::finding::{Family, Finding};

use super::Report;
use super::case::{Bad, Case};
use super::fault::Moment;
use super::relations::{Named, PAIRS};
use super::statistics::count;
use super::sweep::{Point, WAITS_S};
use super::tally::{FindingTally, Tally, sorted_delays_s};
use super::text::{Found, of};
use crate::chart::{Chart, Line};
use crate::html::escaped;
use crate::shell::word as shell_word;

const STYLE: &str = "\
body{font:15px/1.45 sans-serif;color:#222;max-width:62rem;margin:2rem auto;padding:0 1rem}\
h1{font-size:1.5rem}h2{font-size:1.15rem;margin-top:2.2rem}\
table{border-collapse:collapse;margin:.6rem 0}td,th{padding:.2rem .7rem;text-align:right;border-bottom:1px solid #d7d7d7}\
td:first-child,th:first-child{text-align:left}code{font-size:.85rem}td code{white-space:pre-wrap;text-align:left}\
svg{max-width:100%;height:auto}";

/// Longest delay shown in a chart, in seconds.
const LONGEST_DELAY_S: f64 = 3_600.0;

/// Height of a chart in pixels.
const HEIGHT: u32 = 300;

/// The whole page.
#[must_use]
pub fn to_html(report: &Report) -> String {
    let ours = report.total(|scenario| &scenario.ours);
    let baseline = report.total(|scenario| &scenario.baseline);
    let mut page = String::from("<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">");
    add(&mut page, format_args!("<title>Lookastern: trial</title><style>{STYLE}</style></head><body>\n"));
    add(
        &mut page,
        format_args!("<h1>Trial of the monitor on simulated engines</h1>\n<p>{}</p>\n", intro(report, &ours)),
    );
    for (family, tally) in ours.families() {
        add_family(&mut page, family, &tally, &ours, &baseline);
    }
    add_health(&mut page, &ours, &baseline);
    add_sweep(&mut page, &report.sweep.points());
    add_leads(&mut page, &ours, &baseline);
    add_worst(&mut page, report);
    page.push_str(
        "<h2>Not told apart</h2>\n<p>Either name counts as found; which came first is not counted.</p>\n<table>",
    );
    for (one, other, why) in PAIRS {
        add(&mut page, format_args!("<tr><td>{one}</td><td>{other}</td><td>{why}</td></tr>\n"));
    }
    page.push_str("</table>\n</body></html>\n");
    page
}

fn intro(report: &Report, ours: &Tally) -> String {
    format!(
        "Scenarios: {}, runs of each: {}; {:.0} hours of running engines, {:.0} of them with nothing wrong. The baseline is a \
         switch at the head limit, a flow comparator and a voltage comparator on the same samples. Intervals are of 95 %. \
         Figures of simulated engines say how the monitor does on these; engines at sea may differ.",
        report.scenarios.len(),
        report.runs,
        ours.running_h(),
        ours.healthy_h()
    )
}

fn add_family(page: &mut String, family: Family, tally: &FindingTally, ours: &Tally, baseline: &Tally) {
    add(page, format_args!("<h2>Family: {}</h2>\n", family.name()));
    page.push_str(
        "<table><tr><th>finding</th><th>faults</th><th>seen in the numbers</th><th>found of these</th>\
         <th>right cause first</th><th>median delay</th><th>90 % within</th><th>false</th><th>of these in health</th>\
         <th>baseline noticed</th></tr>\n",
    );
    let mut row = |name: &str, found: &Found, tally: &FindingTally, beside: Option<&FindingTally>| {
        add(
            page,
            format_args!(
                "<tr><td>{name}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td>\
                 <td>{}</td><td>{}</td></tr>\n",
                tally.labels,
                tally.detectable,
                found.share,
                of(tally.cause_right, tally.cause_judged),
                found.median,
                found.ninety,
                tally.false_findings(),
                tally.false_in_health,
                beside.map_or_else(|| "-".to_owned(), |beside| of(beside.found, beside.detectable)),
            ),
        );
    };
    for (finding, tally) in ours.findings.iter().filter(|(finding, _)| finding.family() == family) {
        row(finding.name(), &Found::by_name(tally), tally, baseline.findings.get(finding));
    }
    let beside = baseline.families().remove(&family);
    row("all of the family", &Found::by_family(tally), tally, beside.as_ref());
    page.push_str("</table>\n");
    let mut lines = delay_lines(ours, family);
    if lines.len() > 1 {
        lines.push(delay_line("all, by family", false, &tally.family_delays_ms));
    }
    let beside = beside.map(|tally| delay_line("baseline, noticed", true, &tally.delays_ms));
    lines.extend(beside);
    page.push_str(&delay_chart(lines).to_svg());
}

fn delay_lines(tally: &Tally, family: Family) -> Vec<Line> {
    let of_family = tally.findings.iter().filter(|(finding, tally)| finding.family() == family && tally.detectable > 0);
    of_family.map(|(finding, tally)| delay_line(finding.name(), false, &tally.delays_ms)).collect()
}

/// Share found within a time, as steps.
fn delay_line(label: &str, dashed: bool, delays_ms: &[Option<i64>]) -> Line {
    let delays = sorted_delays_s(delays_ms);
    let total = count(u64::try_from(delays.len()).unwrap_or(u64::MAX));
    let mut points = vec![(0.0, 0.0)];
    let mut found = 0.0;
    for delay in delays.into_iter().filter(|delay| *delay <= LONGEST_DELAY_S) {
        points.push((delay, found / total * 100.0));
        found += 1.0;
        points.push((delay, found / total * 100.0));
    }
    Line { label: label.to_owned(), dashed, points }
}

/// Share found within a time. The axis ends a little after the last that was found.
fn delay_chart(mut lines: Vec<Line>) -> Chart {
    lines.retain(|line| line.points.len() > 1);
    let last = lines.iter().filter_map(|line| line.points.last()).map(|(delay, _)| *delay).fold(10.0, f64::max);
    let end = last * 1.05;
    for line in &mut lines {
        if let Some((_, share)) = line.points.last().copied() {
            line.points.push((end, share));
        }
    }
    Chart {
        x: "seconds after the fault shows in the numbers".to_owned(),
        y: "% found".to_owned(),
        x_range: (0.0, end),
        y_range: (0.0, 105.0),
        lines,
        height: HEIGHT,
    }
}

fn add_health(page: &mut String, ours: &Tally, baseline: &Tally) {
    page.push_str(
        "<h2>With nothing wrong</h2>\n<table><tr><th>who</th><th>false</th><th>hours</th><th>in 1,000 h</th></tr>\n",
    );
    for (who, tally) in [("monitor", ours), ("baseline", baseline)] {
        let events = tally.false_in_health();
        let rate = tally.false_rate(events).map_or_else(
            || "-".to_owned(),
            |(rate, interval)| format!("{rate:.2} ({:.2} to {:.2})", interval.low, interval.high),
        );
        let hours = tally.healthy_h();
        add(page, format_args!("<tr><td>{who}</td><td>{events}</td><td>{hours:.1}</td><td>{rate}</td></tr>\n"));
    }
    page.push_str("</table>\n");
}

fn add_sweep(page: &mut String, points: &[Point]) {
    page.push_str(
        "<h2>Had every finding waited longer</h2>\n<p>A finding that would have gone meanwhile is not raised. Less is false, \
         less is found.</p>\n<table><tr><th>wait, s</th><th>found</th><th>false in 1,000 h</th></tr>\n",
    );
    for point in points {
        let found = point.found.map_or_else(
            || "-".to_owned(),
            |(share, interval)| {
                format!("{:.1} % ({:.1} to {:.1})", share * 100.0, interval.low * 100.0, interval.high * 100.0)
            },
        );
        let rate = point.false_per_1000_h.map_or_else(
            || "-".to_owned(),
            |(rate, interval)| format!("{rate:.2} ({:.2} to {:.2})", interval.low, interval.high),
        );
        add(page, format_args!("<tr><td>{}</td><td>{found}</td><td>{rate}</td></tr>\n", point.wait_s));
    }
    page.push_str("</table>\n");
    let steps = |value: &dyn Fn(&Point) -> Option<f64>| -> Vec<(f64, f64)> {
        points.iter().filter_map(|point| Some((f64::from(point.wait_s), value(point)?))).collect()
    };
    let longest = f64::from(WAITS_S[WAITS_S.len() - 1]);
    let line = |label: &str, points| vec![Line { label: label.to_owned(), dashed: false, points }];
    let found = steps(&|point| Some(point.found?.0 * 100.0));
    let x = "seconds that every finding waits longer";
    page.push_str(&sweep_chart(x, "% found", (0.0, longest), 105.0, line("found", found)));
    let rates = steps(&|point| Some(point.false_per_1000_h?.0));
    let most = rates.iter().map(|(_, rate)| *rate).fold(1.0, f64::max) * 1.1;
    page.push_str(&sweep_chart(x, "false in 1,000 h", (0.0, longest), most, line("false", rates)));
}

fn sweep_chart(x: &str, y: &str, x_range: (f64, f64), top: f64, lines: Vec<Line>) -> String {
    Chart { x: x.to_owned(), y: y.to_owned(), x_range, y_range: (0.0, top), lines, height: HEIGHT }.to_svg()
}

/// How many heads had at least so much time between the first warning and the limit.
fn add_leads(page: &mut String, ours: &Tally, baseline: &Tally) {
    let all = |tally: &Tally| {
        let mut all = FindingTally::default();
        for tally in tally.findings.values() {
            all.merge(tally);
        }
        all.sorted_leads_s(None)
    };
    let (ours_s, baseline_s) = (all(ours), all(baseline));
    if ours_s.is_empty() {
        return;
    }
    page.push_str(
        "<h2>From the first warning to the head limit</h2>\n<p>Late and missed ones at their real value. Possible is the median from the moment when the fault shows in the numbers.</p>\n",
    );
    page.push_str(
        "<table><tr><th>finding</th><th>heads</th><th>lowest, s</th><th>median, s</th><th>possible, s</th><th>baseline, s</th></tr>\n",
    );
    for (finding, tally) in ours.findings.iter().filter(|(_, tally)| !tally.leads.is_empty()) {
        add_lead_row(page, *finding, tally, &baseline.findings);
    }
    page.push_str("</table>\n");
    let ends = ours_s.iter().chain(&baseline_s);
    let (low, high) = ends.fold((0.0_f64, 60.0_f64), |(low, high), lead| (low.min(*lead), high.max(*lead)));
    let lines = vec![lead_line("monitor", false, &ours_s, high), lead_line("baseline", true, &baseline_s, high)];
    page.push_str(&sweep_chart("seconds before the limit", "% with less", (low, high), 105.0, lines));
}

fn add_lead_row(page: &mut String, finding: Finding, tally: &FindingTally, baseline: &BTreeMap<Finding, FindingTally>) {
    let number = |lead: Option<f64>| lead.map_or_else(|| "-".to_owned(), |lead| format!("{lead:.0}"));
    let lowest = tally.sorted_leads_s(None).first().copied();
    let beside = baseline.get(&finding).and_then(FindingTally::lead_s);
    add(
        page,
        format_args!(
            "<tr><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td></tr>\n",
            finding.name(),
            tally.leads.len(),
            number(lowest),
            number(tally.lead_s()),
            number(tally.lead_possible_s()),
            number(beside)
        ),
    );
}

fn lead_line(label: &str, dashed: bool, leads: &[f64], end: f64) -> Line {
    let total = count(u64::try_from(leads.len()).unwrap_or(u64::MAX));
    let mut points = Vec::with_capacity(leads.len() * 2 + 1);
    let mut below = 0.0;
    for lead in leads {
        points.push((*lead, below / total * 100.0));
        below += 1.0;
        points.push((*lead, below / total * 100.0));
    }
    if !points.is_empty() {
        points.push((end, 100.0));
    }
    Line { label: label.to_owned(), dashed, points }
}

/// What is said of a case beside what and when.
type Said<'a> = &'a dyn Fn(&Bad) -> String;

fn add_worst(page: &mut String, report: &Report) {
    page.push_str("<h2>Worst cases</h2>\n<p>The second command replays what the first one wrote.</p>\n");
    let worst = &report.worst;
    let seconds = |bad: &Bad| format!("{} s", bad.millis / 1_000);
    let severity = |bad: &Bad| format!("severity {:.2}", bad.severity);
    let kinds: [(&str, &[Bad], Said<'_>); 6] = [
        ("Not found, though it shows in the numbers", &worst.missed, &severity),
        ("Raised with nothing wrong", &worst.false_in_health, &|_| String::new()),
        ("Raised beside a fault that does not explain it", &worst.false_beside, &|_| String::new()),
        ("Least time between the first warning and the head limit", &worst.least_lead, &seconds),
        ("Longest delay", &worst.latest, &seconds),
        ("Found, and another cause was raised first", &worst.wrong_cause, &severity),
    ];
    for (title, kind, value) in kinds {
        if kind.is_empty() {
            continue;
        }
        add(page, format_args!("<h3>{title}</h3>\n<table>"));
        for bad in kind {
            let command = escaped(&commands(bad));
            add(
                page,
                format_args!(
                    "<tr><td>{}</td><td>{}</td><td>{}</td><td><code>{command}</code></td></tr>\n",
                    named(bad.named),
                    moment(bad.at),
                    value(bad)
                ),
            );
        }
        page.push_str("</table>\n");
    }
}

fn named(named: Named) -> String {
    match named.channel {
        Some(channel) => format!("{} ({})", named.finding.name(), channel.name()),
        None => named.finding.name().to_owned(),
    }
}

fn moment(at: Moment) -> String {
    format!("trip {}, {} s", at.trip, at.at_ms / 1_000)
}

/// What to type to see the case again.
fn commands(bad: &Bad) -> String {
    let Case { file, vary, seed, is_commissioned } = &bad.case;
    let file = shell_word(file);
    let vary = vary.as_deref().map_or_else(String::new, |vary| format!(" --vary {}", shell_word(vary)));
    let commission = if *is_commissioned { format!(" --commission case-{seed}/commission.csv") } else { String::new() };
    format!(
        "lookastern simulate {file} --seed {seed}{vary} -o case-{seed}\n\
         lookastern replay case-{seed}/trace-*.csv --profile case-{seed}/profile.toml{commission}"
    )
}

fn add(page: &mut String, text: std::fmt::Arguments<'_>) {
    // Writing to a String cannot fail.
    let _ = page.write_fmt(text);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_commands_commission_where_the_run_did() {
        let named = Named { finding: Finding::VaneLost, channel: None };
        let at = Moment { trip: 0, at_ms: 0 };
        for (is_commissioned, expected) in [(false, ""), (true, " --commission case-7/commission.csv")] {
            let case = Case { file: "a.toml".to_owned(), vary: Some("v.toml".to_owned()), seed: 7, is_commissioned };
            let said = commands(&Bad { case, named, at, severity: 1.0, millis: 0 });
            let replayed = "lookastern replay case-7/trace-*.csv --profile case-7/profile.toml";
            assert_eq!(
                said,
                format!("lookastern simulate a.toml --seed 7 --vary v.toml -o case-7\n{replayed}{expected}")
            );
        }
    }

    #[test]
    fn the_curve_of_delays_ends_at_the_share_that_was_found() {
        let delays_ms = vec![Some(10_000), None, Some(20_000), Some(7_200_000)];
        let line = delay_line("a", false, &delays_ms);
        assert_eq!(line.points, [(0.0, 0.0), (10.0, 0.0), (10.0, 25.0), (20.0, 25.0), (20.0, 50.0)]);
        let chart = delay_chart(vec![line]);
        assert_eq!(chart.lines[0].points.last(), Some(&(21.0, 50.0)));
    }
}
