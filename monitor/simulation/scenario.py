"""The demonstration bay. Everything in it is invented: site, bay, belt and figures belong to no real place.

A new cambered belt of about 11 m on crowned pulleys sits some 10 mm off at the infeed and some 5 mm off at
the drive pulley; about three infeed moves of usual size and a snub trim bring it home.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from monitor.simulation.params import Params, SensorFit

INVENTED = "Invented demonstration data: no real site, machine or belt."


def demo(seed: int = 7, hold_minutes: float = 15.0) -> Params:
    """Parameters of the demonstration; other seeds give other belts that misbehave alike."""
    rng = np.random.default_rng([seed, 11])
    side = 1.0 if rng.random() < 0.5 else -1.0
    infeed_off_mm, drive_off_mm = side * rng.uniform(9.0, 12.0), side * rng.uniform(4.5, 5.5)
    infeed_gain, snub_gain, over = rng.uniform(2.2, 2.6), rng.uniform(1.3, 1.7), rng.uniform(0.22, 0.3)
    belt = Params(
        seed=seed,
        name="bay-1",
        site="demo",
        expect={"family": "demo", "invented": True},
        length_mm=11000.0 + rng.uniform(-300.0, 300.0),
        width_mm=610.0,
        camber_pp_mm=rng.uniform(6.0, 9.0),
        splice_jog_mm=1.0,
        bearing_spacing_mm=760.0,
        carry_length_mm=4900.0,
        mark_offset_mm=620.0,
        infeed_mm_per_mm=infeed_gain,
        snub_mm_per_mm=snub_gain,
        infeed_restoring_revs=0.45,
        drive_restoring_revs=0.5,
        carry_over=over,
        carry_back=0.02,
        speed_mps=0.45,
        wander_sd_mm=0.1,
        wander_length_mm=6000.0,
        noise_sd_mm=0.12,
        rate_hz=50,
        boot_us=2_345_678,
        sensors=(SensorFit("infeed", "left", 32768, 600.0), SensorFit("drive", "left", 32551, -550.0)),
        length_error=0.008,
        speed_error=-0.01,
        hold_minutes=hold_minutes,
    )
    # the resting places are rest_i = own_i + back*rest_d and rest_d = own_d + over*rest_i
    own_infeed_mm = infeed_off_mm - belt.carry_back * drive_off_mm
    own_drive_mm = drive_off_mm - over * infeed_off_mm
    return dataclasses.replace(
        belt,
        standing_infeed_mm=-own_infeed_mm / infeed_gain,
        standing_drive_mm=-own_drive_mm / snub_gain,
        seconds=3600.0,
    )
