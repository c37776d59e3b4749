"""Wants as demands: which clips can serve which want, and what losing one costs.

- A want by clip has that clip as its only candidate. The same clip wanted
  twice in one segment is one demand with the hits added.
- A want by tag may take any ``count`` of the clips with that tag that are not
  named in the same segment. The best used are preferred: a clip's worth is
  0.5 for the least used and 1 for the most used. At most ``2 * count + 4`` of
  them, the best used first, are candidates (and those that came into a layout
  by hand).
- Losing one clip of a want costs its value once for each expected hit, and at
  least once.
- A timed segment is played from its own bank. A hit for an any-time segment
  may come while the hands are in any bank: each segment counts as one moment,
  and the hits spread evenly over the moments. So a copy of an any-time clip in
  another bank saves the switch there.

Functions: ``read_wants``. Class: ``Demand``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from padbank.domain import Segment, Show, Want
from padbank.layout.facts import ClipFacts

Facts = dict[str, ClipFacts]
Share = tuple[tuple[int, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Demand:
    """One want of one segment, resolved.

    ``clips`` and ``worth`` go together: candidates and how well each fits
    (0.5 to 1). ``hits`` and ``value`` are per clip. ``share`` says from which
    banks the hits come: ``(bank, part)``, the parts summing to 1.
    """

    segment: str
    label: str
    hits: float
    value: float
    must: bool
    count: int
    clips: tuple[int, ...]
    worth: tuple[float, ...]
    share: tuple[tuple[int, float], ...]
    absent: str = ""

    @property
    def by_clip(self) -> bool:
        return self.count == 1 and len(self.clips) <= 1


def read_wants(
    show: Show,
    facts: Facts,
    usable: set[str],
    extra: frozenset[str],
    share: dict[str, Share],
    why_not: dict[str, str],
) -> list[tuple[Demand, tuple[str, ...]]]:
    """Demands with their candidates as names: indices are set when the clips are known.

    Parameters
    ----------
    usable : clips that some device takes and the show's rights allow
    extra : clips that came into a layout by hand, candidates of their tags however little used
    share : by segment, from which banks its hits come
    why_not : for clips that are not usable, the reason
    """
    result: list[tuple[Demand, tuple[str, ...]]] = []
    for segment in show.segments:
        named = _by_name(segment)
        for want in named:
            result.append(_want_by_clip(segment, want, facts, usable, share, why_not))
        names = {want.clip for want in named}
        tagged = [c for c in facts.values() if c.name in usable and c.name not in names]
        result += [_want_by_tag(segment, w, tagged, extra, share) for w in segment.wants if w.tag is not None]
    return result


def _by_name(segment: Segment) -> list[Want]:
    """The wants that name a clip, each clip once: hits added, a must if one is, the highest value."""
    merged: dict[str, Want] = {}
    for want in segment.wants:
        if want.clip is None:
            continue
        old = merged.get(want.clip)
        merged[want.clip] = want if old is None else replace(
            want, hits=old.hits + want.hits, must=old.must or want.must, value=max(old.value, want.value)
        )
    return list(merged.values())


def _want_by_clip(
    segment: Segment, want: Want, facts: Facts, usable: set[str], share: dict[str, Share], why_not: dict[str, str]
) -> tuple[Demand, tuple[str, ...]]:
    name = want.clip or ""
    absent = ""
    if name not in facts:
        absent = "there is no clip of that name in the library"
    elif name not in usable:
        absent = why_not.get(name, "it cannot be placed")
    names = () if absent else (name,)
    demand = Demand(
        segment=segment.name,
        label=name,
        hits=float(want.hits),
        value=float(want.value) * max(1.0, float(want.hits)),
        must=want.must,
        count=1,
        clips=(),
        worth=(1.0,) * len(names),
        share=share[segment.name],
        absent=absent,
    )
    return demand, names


def _want_by_tag(
    segment: Segment, want: Want, usable: list[ClipFacts], extra: frozenset[str], share: dict[str, Share]
) -> tuple[Demand, tuple[str, ...]]:
    tagged = sorted((c for c in usable if want.tag in c.tags), key=lambda c: (-c.uses, c.name))
    most = max((c.uses for c in tagged), default=0.0)
    listed = [c for i, c in enumerate(tagged) if i < 2 * want.count + 4 or c.name in extra]
    absent = ""
    if len(tagged) < want.count:
        absent = (
            f"{len(tagged)} usable clips have the tag {want.tag!r} beside those named, "
            f"{want.count} are wanted"
        )
    demand = Demand(
        segment=segment.name,
        label=f"{want.count} × {want.tag}",
        hits=want.hits,
        value=want.value * max(1.0, want.hits),
        must=want.must,
        count=want.count,
        clips=(),
        worth=tuple(round(0.5 + 0.5 * (c.uses + 1.0) / (most + 1.0), 6) for c in listed),
        share=share[segment.name],
        absent=absent,
    )
    return demand, tuple(c.name for c in listed)
