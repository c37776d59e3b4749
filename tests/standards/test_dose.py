"""Dose arithmetic against worked examples.

Sources: NIOSH 98-126 (1998) formulas and its table of allowed times (from memory);
a published table of measured noise (doi via PubMed Central PMC8169711, table 3); WHO-ITU H.870
(2018) allowances as quoted; sums marked "calc" are worked out beside the check.
"""

from __future__ import annotations

import math

import pytest

from padbank.dsp.dose import (
    Calibration,
    Exposure,
    ShowSound,
    daily_exposure_dba,
    estimate_dose,
    find_jump,
    niosh_dose_percent,
    niosh_minutes,
    niosh_twa_dba,
    pascal_squared_hours,
    weekly_share_percent,
)
from padbank.errors import InputError


def at(*pairs):
    return [Exposure(level_dba=level, minutes=minutes) for level, minutes in pairs]


@pytest.mark.parametrize(
    ("level_dba", "minutes"),
    # NIOSH 98-126 table 1-1 (from memory): 85 dBA 8 h, 88 4 h, 91 2 h, 94 1 h, 97 30 min, 100 15 min
    [(85, 480), (88, 240), (91, 120), (94, 60), (97, 30), (100, 15)],
)
def test_niosh_times(level_dba, minutes):
    assert niosh_minutes(level_dba) == pytest.approx(minutes)
    assert niosh_dose_percent(at((level_dba, minutes))) == pytest.approx(100.0)


def test_niosh_doses_add_up():
    # calc: 120/240 + 30/60 = 1
    assert niosh_dose_percent(at((88, 120), (94, 30))) == pytest.approx(100.0)
    # calc: 180/120
    assert niosh_dose_percent(at((91, 180))) == pytest.approx(150.0)
    # PMC8169711 table 3 prints 2.8 % for 69.6 dBA over 8 h
    assert niosh_dose_percent(at((69.6, 480))) == pytest.approx(2.8, abs=0.1)
    assert niosh_dose_percent([]) == 0.0


def test_niosh_average():
    assert niosh_twa_dba(100.0) == pytest.approx(85.0)
    assert niosh_twa_dba(200.0) == pytest.approx(88.0, abs=0.011)
    assert niosh_twa_dba(0.0) == -math.inf


def test_who_itu_allowances_in_pascal_squared_hours():
    assert pascal_squared_hours(at((80, 2400))) == pytest.approx(1.6, abs=1e-9)  # (0.2 Pa)^2 * 40 h
    assert pascal_squared_hours(at((75, 2400))) == pytest.approx(0.506, abs=5e-4)


def test_who_itu_share_of_a_week():
    # calc: 3 h at 92 dBA: 10**1.2 * 3 / 40
    assert weekly_share_percent(at((92, 180))) == pytest.approx(118.87, abs=0.005)
    assert weekly_share_percent(at((75, 2400)), "sensitive") == pytest.approx(100.0)
    with pytest.raises(InputError, match="'adult' or 'sensitive'"):
        weekly_share_percent(at((80, 1)), "child")


def test_daily_exposure_level():
    # 2003/10/EC uses L_EX,8h: 8 h at a level is that level; half the time is 3.01 dB less
    assert daily_exposure_dba(at((87, 480))) == pytest.approx(87.0)
    assert daily_exposure_dba(at((87, 240))) == pytest.approx(83.99, abs=0.005)
    assert daily_exposure_dba([]) == -math.inf


def test_estimate_moves_decibel_for_decibel():
    calibration = Calibration(level_dba=85.0, at_lufs=-20.0)
    made = estimate_dose(calibration, -17.0, 240.0)  # 88 dBA for 4 h
    assert made.level_dba == pytest.approx(88.0)
    assert made.niosh_percent == pytest.approx(100.0)
    assert made.niosh_minutes_allowed == pytest.approx(240.0)
    assert made.weekly_adult_percent == pytest.approx(100 * 10**0.8 * 4 / 40)
    assert "estimate" in made.caution
    assert "hearing professional" in made.caution


@pytest.mark.parametrize(
    "fault",
    [
        lambda: Calibration(level_dba=10.0, at_lufs=-20.0),
        lambda: Calibration(level_dba=85.0, at_lufs=5.0),
        lambda: Exposure(level_dba=math.nan, minutes=1.0),
        lambda: Exposure(level_dba=85.0, minutes=-1.0),
    ],
)
def test_faults_say_what_to_use(fault):
    with pytest.raises(InputError, match=r"use|-70 to 0"):
        fault()


def test_jump_weighs_by_time_and_hits():
    sounds = [
        ShowSound(name="bed", average_lufs=-20.0, loudest_second_lufs=-18.0, duration_s=60.0),
        ShowSound(
            name="siren", average_lufs=-10.0, loudest_second_lufs=-8.0, duration_s=3.0, hits=2.0
        ),
    ]
    jump = find_jump(sounds)
    # calc: (60 * 0.01 + 6 * 0.1) / 66 = 0.0181818 -> -17.4036
    assert jump.average_lufs == pytest.approx(-17.4036, abs=1e-4)
    assert jump.name == "siren"
    assert jump.jump_lu == pytest.approx(9.4036, abs=1e-4)
    assert jump.sentence().startswith("no jump above 9.4 LU: the loudest second is in siren")
    assert find_jump([]) is None
