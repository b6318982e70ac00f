#!/usr/bin/env python3
"""Writes trace.csv: forty minutes of an invented hire boat that takes weed on its water intake.

A small model of our own, good enough to look at the timeline: heat into the head grows with the square of the engine
speed, heat out of it with the water that passes the thermostat. All numbers are invented. Run: python3 make_trace.py
"""

import random

WATER_C = 17.0
THERMOSTAT_C = 62.0

# (until second, engine speed in rpm, speed in knots, share of the water that the weed lets through)
DAY = [
    (8, 0, 0.0, 1.0),
    (10, 220, 0.0, 1.0),
    (60, 1150, 0.0, 1.0),
    (330, 760, 0.0, 1.0),
    (520, 1600, 4.8, 1.0),
    (1120, 4200, 19.5, 1.0),
    (1142, 4200, 19.5, 0.03),  # weed: nobody has noticed yet
    (1150, 2200, 9.0, 0.03),  # the sounder: ease off
    (1168, 760, 2.0, 0.03),
    (1174, 0, 0.5, 0.03),  # out of gear, stop, key out, look
    (1330, 0, 0.3, 0.03),
    (1332, 230, 0.2, 1.0),  # weed picked off
    (1450, 780, 0.4, 1.0),
    (2040, 3000, 13.0, 1.0),
    (2220, 1300, 4.0, 1.0),
    (2400, 760, 0.0, 1.0),
]


def main():
    rng = random.Random(7)
    rpm = speed = 0.0
    head = 19.0
    thermostat = 0.0
    flow = 0.0
    supply = 12.6
    rows = ["t_s,rpm,head_c,flow_lpm,supply_v,speed_kn"]
    for second in range(DAY[-1][0]):
        _, wanted_rpm, wanted_speed, passes = next(step for step in DAY if second < step[0])
        rpm += (wanted_rpm - rpm) * 0.5
        if abs(rpm - wanted_rpm) < 1:
            rpm = wanted_rpm
        speed += (wanted_speed - speed) * 0.15
        flow += (rpm / 1000.0 * 1.05 * passes - flow) * 0.45
        opening = min(max((head - THERMOSTAT_C) / 8.0, 0.0), 1.0)
        thermostat += (opening - thermostat) * 0.1
        load = rpm / 5500.0
        heating = 0.16 * (rpm > 400) + 0.95 * load * load
        cooling = (0.00125 * flow + 0.0078 * flow * thermostat + 0.0004) * (head - WATER_C)
        head += heating - cooling
        charging = 12.6 if rpm < 100 else 10.4 if rpm < 400 else 13.4 + 0.9 * min(rpm / 2200.0, 1.0)
        supply += (charging - supply) * (0.7 if rpm < 400 else 0.2)
        shown_rpm = 0 if rpm < 30 else rpm + rng.gauss(0, 6)
        rows.append(
            f"{second},{shown_rpm:.0f},{head + rng.gauss(0, 0.08):.1f},{max(0.0, flow + rng.gauss(0, 0.02)):.2f},"
            f"{supply + rng.gauss(0, 0.02):.2f},{max(0.0, speed + rng.gauss(0, 0.05)):.1f}"
        )
    with open("trace.csv", "w", encoding="utf-8", newline="\n") as trace:
        trace.write("\n".join(rows) + "\n")


if __name__ == "__main__":
    main()
