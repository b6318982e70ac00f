#!/usr/bin/env python3
"""Counts running seconds and starts of the recordings by hand.

An independent count: it shares no code with the product and reads the recordings with the standard library alone.
Its results stand as constants in tests/tests/. Times are whole milliseconds and thresholds are compared exactly, so
nothing here depends on rounding.

    python3 tests/tools/count_hours.py "$LOOKASTERN_RECORDINGS"

The rule, in the order in which it is applied:

* Rows without a good rpm are passed over (blank, or under 0 or over 30,000; a row with a cell that is not a number is
  no row at all). A stamp equal or backward adds no time, and later rows are measured from it.
* A run begins at the first sample of a stretch with rpm at or above 0.7 x idle that lasts 3 s or more. A lower
  sample, or more than 5 s to the next good rpm, breaks the stretch.
* A run ends at the last sample before rpm is under 0.4 x idle for 2 s (measured from the first low sample), or at the
  earlier stamp where more than 5 s lie between two good rpm samples, or with the recording.
* The intervals between consecutive good rpm samples inside a run are its time. Seconds are rounded down at the end.

Recordings without rpm are counted as the tests replay them: with a steady 3,000 rpm in every row that has a stamp.
"""

import argparse
import csv
import re
import sys
from decimal import Decimal, InvalidOperation
from datetime import datetime
from pathlib import Path

START_MS = 3_000
STOP_MS = 2_000
HOLE_MS = 5_000
STEADY_RPM = Decimal(3_000)

# Where the layouts keep stamp and rpm, how the stamp is written, and the idle speed of the profile that is replayed.
# The cells named under `numbers` are the ones that the column map reads: text in one of them spoils its row.
LAYOUTS = [
    ("car/car_00*.csv", dict(stamp="Time", clock="hh:mm:ss", rpm="Engine RPM [RPM]", idle=780,
                             numbers=["Engine Coolant Temperature [°C]"])),
    ("car/car_*.csv", dict(stamp="t_ms", clock="ms", rpm="rpm", idle=780, numbers=["coolant_c", "speed_kmh"])),
    ("n2k/n2k_0[12]*_decoded.csv", dict(stamp="timestamp_text", clock="rfc3339", rpm="rpm", idle=800,
                                        numbers=["engine_temp_c", "oil_pressure_kpa", "alternator_v"])),
    ("loop/loop_*.csv", dict(stamp="time_text", clock="hh:mm:ss", rpm=None, idle=800,
                             numbers=["flow_lpm", "thermocouple_c"])),
    ("pumploop/pump_1*.csv", dict(stamp="time_text", clock="mm:ss", rpm=None, idle=800, numbers=["flow1", "flow2"])),
    ("pumploop/pump_[34]*.csv", dict(stamp="time_text", clock="date", rpm=None, idle=800, numbers=["flow1", "flow2"])),
]


def number(cell):
    """The cell as an exact number, None if blank. Raises InvalidOperation for text."""
    cell = (cell or "").strip()
    if not cell:
        return None
    value = Decimal(cell)
    if not value.is_finite():
        raise InvalidOperation
    return value


def stamp_ms(text, clock):
    """The stamp in whole milliseconds of its own clock, None if the cell is no such stamp."""
    text = text.strip()
    if clock == "ms":
        return int(text) if text else None
    if clock == "rfc3339":
        moment = datetime.fromisoformat(text.replace("Z", "+00:00"))
        return round(moment.timestamp() * 1000)
    pattern = {
        "hh:mm:ss": r"(\d+):(\d+):(\d+(?:\.\d+)?)",
        "mm:ss": r"()(\d+):(\d+(?:\.\d+)?)",
        "date": r"\d+/\d+/\d+ (\d+):(\d+):(\d+(?:\.\d+)?)",
    }[clock]
    match = re.fullmatch(pattern, text)
    if not match:
        return None
    hours, minutes, seconds = match.groups()
    return int(hours or 0) * 3_600_000 + int(minutes) * 60_000 + int(Decimal(seconds) * 1000)


def rows(path, layout):
    """(stamp in ms with roll-overs undone, rpm or None) for each good row."""
    turn, back = {"hh:mm:ss": (86_400_000, 43_200_000), "mm:ss": (3_600_000, 1_800_000)}.get(layout["clock"], (0, None))
    days, last = 0, None
    with open(path, newline="", encoding="utf-8") as file:
        for row in csv.DictReader(file):
            try:
                for name in layout["numbers"]:
                    number(row[name])
                rpm = number(row[layout["rpm"]]) if layout["rpm"] else STEADY_RPM
            except InvalidOperation:
                continue
            stamp = stamp_ms(row[layout["stamp"]], layout["clock"])
            if stamp is None:
                continue
            if back and last is not None and last - stamp > back:
                days += 1
            last = stamp
            yield stamp + days * turn, rpm


def samples(path, layout, tally):
    """(elapsed ms since the first good rpm, rpm) for each good rpm sample."""
    elapsed, last = 0, None
    for stamp, rpm in rows(path, layout):
        tally["rows"] += 1
        if rpm is None or not 0 <= rpm <= 30_000:
            continue
        if last is not None:
            tally["backward"] += stamp < last
            tally["equal"] += stamp == last
            step = max(0, stamp - last)
            tally["hole_ms"] = max(tally["hole_ms"], step)
            tally["holes"] += step > HOLE_MS
            elapsed += step
        last = stamp
        tally["good_rpm"] += 1
        yield elapsed, rpm


def runs(points, idle):
    """[(index of the first sample, index of the last sample)] of each run."""
    found, index = [], 0
    start, stop = Decimal(7) * idle / 10, Decimal(4) * idle / 10
    while index < len(points):
        # Look for a stretch that is long enough.
        first = last = index
        if points[first][1] < start:
            index += 1
            continue
        while (last + 1 < len(points) and points[last + 1][1] >= start
               and points[last + 1][0] - points[last][0] <= HOLE_MS and points[last][0] - points[first][0] < START_MS):
            last += 1
        if points[last][0] - points[first][0] < START_MS:
            index = last + 1
            continue
        # It runs. Go on to its end.
        low = None
        end = last
        index = last + 1
        while index < len(points):
            at, rpm = points[index]
            if at - points[index - 1][0] > HOLE_MS:
                end = index - 1
                break
            if rpm < stop:
                low = index if low is None else low
                if at - points[low][0] >= STOP_MS:
                    end = low - 1
                    index += 1
                    break
            else:
                low = None
            end = index
            index += 1
        found.append((first, end))
    return found


def count(path, layout):
    """The line of the table for one recording, and the two numbers that the tests hold."""
    tally = dict(rows=0, good_rpm=0, holes=0, hole_ms=0, backward=0, equal=0)
    points = list(samples(path, layout, tally))
    spans = runs(points, layout["idle"])
    running = sum(points[end][0] - points[first][0] for first, end in spans)
    return tally, running, spans, points


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("recordings", type=Path, help="the directory with car/, n2k/, loop/ and pumploop/")
    parser.add_argument("--idle", type=int, help="another idle speed for every recording, in 1/min")
    parser.add_argument("--runs", action="store_true", help="list the runs of each recording as well")
    arguments = parser.parse_args()
    print(f"{'recording':<46}{'rows':>7}{'rpm':>7}{'idle':>6}{'running_s':>11}{'starts':>8}"
          f"{'exact s':>12}{'holes':>7}{'longest s':>11}{'back':>6}{'equal':>7}")
    done = set()
    for pattern, layout in LAYOUTS:
        for path in sorted(arguments.recordings.glob(pattern)):
            if path in done:
                continue
            done.add(path)
            chosen = dict(layout, idle=arguments.idle or layout["idle"])
            tally, running, spans, points = count(path, chosen)
            print(f"{path.relative_to(arguments.recordings)!s:<46}{tally['rows']:>7}{tally['good_rpm']:>7}"
                  f"{chosen['idle']:>6}{running // 1000:>11}{len(spans):>8}{running / 1000:>12.3f}{tally['holes']:>7}"
                  f"{tally['hole_ms'] / 1000:>11.3f}{tally['backward']:>6}{tally['equal']:>7}")
            if arguments.runs:
                for first, end in spans:
                    print(f"    from {points[first][0] / 1000:.3f} s to {points[end][0] / 1000:.3f} s")
    if not done:
        sys.exit(f"{arguments.recordings}: no recording found here; give the directory that holds car/ and loop/")


if __name__ == "__main__":
    main()
