"""What the planner needs to know of a clip, and which of its versions a device takes.

Functions: ``usable_versions``. Classes: ``Version``, ``ClipFacts``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from padbank.domain import Device, PlayMode
from padbank.layout import voices


@dataclass(frozen=True, slots=True, kw_only=True)
class Version:
    """One way to store a clip: its size on the device and what it loses.

    ``loss_db``: 0 for the clip as it is; for fewer channels or a lower rate
    the energy that is lost, in dB (how it is judged is the caller's).
    """

    channels: int
    sample_rate_hz: int
    n_bytes: int
    loss_db: float = 0.0
    frames: int = 0
    """length; when it is given, bytes are reckoned anew for each device's word length"""

    def on(self, device: Device) -> Version:
        """This version as a device stores it."""
        if not self.frames:
            return self
        return replace(self, n_bytes=self.frames * self.channels * device.bits // 8)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipFacts:
    """What the planner needs to know of a clip.

    ``duration_s`` is its longest sounding time. ``loudness_lufs`` is as it
    will be played (None: unknown). ``uses`` is how often it was hit before.
    The tags ``quiet`` and ``loud`` decide its class for mis-hits; without
    them its loudness does.
    """

    name: str
    duration_s: float
    tags: tuple[str, ...] = ()
    versions: tuple[Version, ...] = ()
    play_mode: PlayMode = "one-shot"
    mute_group: str | None = None
    loudness_lufs: float | None = None
    cleared: bool = True
    uses: float = 0.0


def _beats(a: Version, b: Version, voices_per_stereo: int) -> bool:
    """True when ``a`` is never worse than ``b`` (and comes first when they are alike)."""
    va = voices.voices_each(a.channels, voices_per_stereo)
    vb = voices.voices_each(b.channels, voices_per_stereo)
    return a.n_bytes <= b.n_bytes and a.loss_db <= b.loss_db and va <= vb


def usable_versions(
    clip: ClipFacts, device: Device, rehit_s: float
) -> tuple[tuple[Version, ...], str]:
    """Versions of a clip that a device takes, and the reason when there is none."""
    if device.max_clip_s is not None and clip.duration_s > device.max_clip_s + 1e-9:
        return (), (
            f"is {clip.duration_s:.1f} s long and device {device.name} takes "
            f"{device.max_clip_s:g} s at most"
        )
    rates = {rate: i for i, rate in enumerate(device.sample_rates_hz)}
    fit = [v.on(device) for v in clip.versions if v.sample_rate_hz in rates and v.channels <= device.max_channels]
    if not fit:
        return (), f"has no version in a format that device {device.name} takes"
    if device.max_clip_bytes is not None:
        small = [v for v in fit if v.n_bytes <= device.max_clip_bytes]
        if not small:
            least = min(v.n_bytes for v in fit)
            return (), (
                f"needs {least} bytes at least and device {device.name} takes "
                f"{device.max_clip_bytes} a clip"
            )
        fit = small
    n = voices.instances(
        clip.duration_s, clip.play_mode, device.same_pad_again, rehit_s, device.release_s
    )
    quiet_enough = [
        v for v in fit if n * voices.voices_each(v.channels, device.voices_per_stereo) <= device.voices
    ]
    if not quiet_enough:
        return (), (
            f"can need {n} voices by itself when hit every {rehit_s:g} s and device "
            f"{device.name} has {device.voices} (a shorter trim needs fewer, and so does a device "
            'with same_pad_again = "self-cut")'
        )
    order = sorted(
        quiet_enough, key=lambda v: (v.loss_db, v.n_bytes, rates[v.sample_rate_hz], v.channels)
    )
    kept: list[Version] = []
    for v in order:
        if not any(_beats(k, v, device.voices_per_stereo) for k in kept):
            kept.append(v)
    return tuple(kept), ""
