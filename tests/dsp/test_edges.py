"""Onsets and ends on made-up sounds whose true edges are known; figures are our own promise."""

from __future__ import annotations

import numpy as np
import pytest

from padbank.dsp.edges import EdgeFinder, find_edges

RATE = 48000


def kick(rate):
    t = np.arange(int(0.6 * rate)) / rate
    return np.sin(2 * np.pi * (50 * t + 1.8 * (1 - np.exp(-t / 0.03)))) * np.exp(-t / 0.12)


def snare(rate):
    t = np.arange(int(0.6 * rate)) / rate
    sound = np.random.default_rng(5).standard_normal(len(t)) * np.exp(-t / 0.06)
    return sound / np.abs(sound).max()


def stab(rate):
    t = np.arange(int(0.6 * rate)) / rate
    return np.sin(2 * np.pi * 220 * t) * np.minimum(1, t / 0.002) * np.exp(-t / 0.15)


def laid_over(sound, background, head_s, rate=RATE, tail_s=0.6):
    rng = np.random.default_rng(11)
    head = int(head_s * rate) + 37
    n = head + len(sound) + int(tail_s * rate)
    t = np.arange(n) / rate
    if background == "hum":
        under = 0.005 * np.sin(2 * np.pi * 50 * t + 1) + 0.002 * np.sin(2 * np.pi * 150 * t)
        under += 10 ** (-70 / 20) * rng.standard_normal(n)
    elif background == "dc":
        under = 0.05 + 10 ** (-70 / 20) * rng.standard_normal(n)
    elif background is None:
        under = np.zeros(n)
    else:
        under = 10 ** (background / 20) * rng.standard_normal(n)
    under[head : head + len(sound)] += sound
    return under[:, None].astype(np.float32), head


@pytest.mark.parametrize("rate", [44100, 48000, 22050])
@pytest.mark.parametrize("background", [None, -70, -60, -50, "hum", "dc"])
@pytest.mark.parametrize("make", [kick, snare, stab])
def test_onset_lies_up_to_a_millisecond_before_the_true_one(make, background, rate):
    for head_s in (0.25, 1.1):
        for peak_db in (-1, -12):
            sound = make(rate) * 10 ** (peak_db / 20)
            mixed, head = laid_over(sound, background, head_s, rate)
            edges = find_edges(mixed, rate)
            assert 0 <= (head - edges.onset_frame) / rate <= 0.001
            assert edges.fade_in_frames <= head - edges.onset_frame


@pytest.mark.parametrize("chunk", [1, 63, 1000, 65536])
def test_blocks_do_not_matter(chunk):
    mixed, _ = laid_over(snare(RATE)[:4000], -60, 0.05, tail_s=0.05)
    whole = find_edges(mixed, RATE)
    finder = EdgeFinder(RATE, 1)
    for start in range(0, len(mixed), chunk):
        finder.feed(mixed[start : start + chunk])
    assert finder.finish(lambda start, count: mixed[start : start + count]) == whole


@pytest.mark.parametrize("sound", [np.zeros((RATE, 1)), np.full((500, 2), 0.3), np.zeros((0, 1))])
def test_silence_is_said(sound):
    edges = find_edges(sound, RATE)
    assert edges.silent
    assert (edges.onset_frame, edges.end_frame) == (0, len(sound))
