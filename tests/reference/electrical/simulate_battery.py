"""Make the frozen figures of ``battery_simulation.json`` with pybamm.

Not a test, and pybamm is no requirement of this project: it takes some 600 MB. To make them anew::

    python -m venv ELSEWHERE && ELSEWHERE/bin/pip install pybamm==26.10.1.1
    ELSEWHERE/bin/python simulate_battery.py > battery_simulation.json

Models: ``pybamm.lead_acid.Full``, porous electrodes (Sulzer and others 2019), and its simplification
``LOQS`` for the rest voltage; parameter set Sulzer2019, a valve-regulated battery of 6 cells and
17 Ah at 22 degrees Celsius. A run takes about a minute.

Charging at a constant voltage does not converge in this version, so it is told as a staircase: a
current until 13.6 V are reached, then the next smaller one. That charges a little less than the
constant voltage would.
"""

import json
import sys

import numpy as np
import pybamm

CAPACITY_AH = 17.0
VOLTS = "Battery voltage [V]"
SCALE = CAPACITY_AH / 70.0
"""Currents of a 70 Ah battery, brought to this one."""
STAIRS_A = (30.0, 24.0, 20.0, 16.0, 13.0, 10.0, 8.0, 6.5, 5.2, 4.2, 3.4)
TO_80_PERCENT = (("Discharge at 0.85 A for 4 hours",), ("Rest for 2 hours",))


def make_parameters() -> pybamm.ParameterValues:
    """The parameter set, its upper voltage out of the way of a supply."""
    values = pybamm.ParameterValues("Sulzer2019")
    values["Upper voltage cut-off [V]"] = 16.0
    return values


def run(*stages: tuple[str, ...]) -> list[pybamm.Solution]:
    """Run stages one after the other from full; the answers by stage."""
    experiment = pybamm.Experiment(list(stages), period="5 seconds")
    simulation = pybamm.Simulation(
        pybamm.lead_acid.Full(), parameter_values=make_parameters(), experiment=experiment
    )
    return simulation.solve().cycles


def find_rest_volts() -> list[list[float]]:
    """Charge and voltage while 0.05 A are drawn, which is nearly at rest."""
    values = make_parameters()
    values["Current function [A]"] = 0.05
    charges = [1.0, 0.9, 0.8, 0.7, 0.6, 0.5, 0.4, 0.3, 0.2]
    seconds = np.array([(1 - charge) * CAPACITY_AH / 0.05 * 3600 for charge in charges])
    simulation = pybamm.Simulation(pybamm.lead_acid.LOQS(), parameter_values=values)
    solution = simulation.solve(t_eval=[0, seconds[-1] + 10], t_interp=seconds)
    return [
        [c, round(float(v), 3)] for c, v in zip(charges, solution[VOLTS](seconds), strict=True)
    ]


def find_bursts() -> list[list[float]]:
    """Ampere, and voltage after 30 s from full."""
    return [
        [
            current,
            round(
                float(run((f"Discharge at {current} A for 30 seconds",))[0][VOLTS].entries[-1]), 3
            ),
        ]
        for current in (0.85, 1.7, 3.4, 8.5, 17.0, 34.0)
    ]


def make_pulses() -> tuple[str, ...]:
    """45 minutes: 8 A, and every three minutes 25 A for 30 s, of a 70 Ah battery."""
    pair = (
        f"Discharge at {8 * SCALE:.4f} A for 150 seconds",
        f"Discharge at {25 * SCALE:.4f} A for 30 seconds",
    )
    return pair * 15


def find_lowest(*stages: tuple[str, ...]) -> float:
    """Lowest voltage of the last stage."""
    return round(float(min(run(*stages)[-1][VOLTS].entries)), 3)


def find_staircase() -> list[list[float]]:
    """Ampere, and seconds at which 13.6 V are reached with it, from 80 %."""
    stairs = tuple(f"Charge at {current} A until 13.6 V" for current in STAIRS_A)
    last = run(*TO_80_PERCENT, stairs)[-1]
    start = float(last["Time [s]"].entries[0])
    return [
        [current, round(float(step["Time [s]"].entries[-1]) - start)]
        for current, step in zip(STAIRS_A, last.steps, strict=True)
    ]


if __name__ == "__main__":
    steady = f"Discharge at {20 * SCALE:.4f} A for 45 minutes"
    json.dump(
        {
            "pybamm": pybamm.__version__,
            "rest_volts": find_rest_volts(),
            "after_30_s": find_bursts(),
            "pulses_from_full": find_lowest(make_pulses()),
            "pulses_from_80": find_lowest(*TO_80_PERCENT, make_pulses()),
            "20_a_for_45_min_from_80": find_lowest(*TO_80_PERCENT, (steady,)),
            "staircase_to_13_6_v_from_80": find_staircase(),
        },
        sys.stdout,
        indent=1,
    )
