"""Clips: the whole list for the page's search, one clip, edits, tags, waveform, sound.

What needs the large audio libraries is imported where it is used, so that the
first page does not wait for them.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import Route

from padbank.errors import InputError
from padbank.store.library import Library
from padbank.web.desk import Body, Desk, answer, body_of, desk_of, named, whole_asked
from padbank.workflow import clips as clips_work
from padbank.workflow.naming import rename_in_shows
from padbank.workflow.revisions import ChangedMeanwhile, clip_as_seen, clip_revision

if TYPE_CHECKING:
    from padbank.workflow.audition import Spot


def list_clips(request: Request) -> Response:
    found = desk_of(request).clips_listed()
    headers = {"etag": found.tag, "cache-control": "no-cache", "vary": "accept-encoding"}
    if request.headers.get("if-none-match") == found.tag:
        return Response(status_code=304, headers=headers)
    if "gzip" in request.headers.get("accept-encoding", ""):
        return Response(found.packed, media_type="application/json", headers={**headers, "content-encoding": "gzip"})
    return Response(found.body, media_type="application/json", headers=headers)


def seen_clip(library: Library, name: str) -> dict[str, Any]:
    """One clip as the page shows it, with its revision."""
    known = clips_work.info(library, name)
    clip, original = known.clip, known.clip.original
    return {
        "name": clip.name,
        "revision": clip_revision(clip),
        "recipe": clip.recipe,
        "tags": clip.tags,
        "licence": clip.licence,
        "credit": clip.credit,
        "caution": known.rights_caution,
        "duration_s": known.duration_s,
        "channels": clip.channels_played,
        "original": {
            "duration_s": original.duration_s,
            "sample_rate_hz": original.sample_rate_hz,
            "channels": original.channels,
            "n_bytes": original.n_bytes,
            "sha256": original.sha256,
            "source": original.source,
        },
        "as_file": known.as_file,
        "as_played": known.as_played,
        "edits": [{"number": h["number"], "why": h["why"], "made_at": h["made_at"]} for h in known.history],
        "edit_now": known.edit_number,
    }


def one_clip(request: Request) -> Response:
    with desk_of(request).library() as library:
        return answer(seen_clip(library, request.path_params["name"]))


CHANGES = {
    "start_s", "end_s", "fade_in_s", "fade_out_s", "channels", "role", "level_offset_lu",
    "play_mode", "mute_group", "loop_start_s", "loop_end_s",
}  # fmt: skip

_NUMBERS = {"start_s", "end_s", "fade_in_s", "fade_out_s", "level_offset_lu", "loop_start_s", "loop_end_s"}


def _changes(body: Body) -> dict[str, Any]:
    changes = body.mapping("changes")
    for key, value in changes.items():
        if key not in CHANGES:
            raise InputError(f"a clip has no {key!r} to change: reload the page")
        number = isinstance(value, (int, float)) and not isinstance(value, bool)
        if value is not None and number != (key in _NUMBERS):
            raise InputError(f"{key} is {value!r}: write a {'number' if key in _NUMBERS else 'word'}")
        if not number and value is not None and not isinstance(value, str):
            raise InputError(f"{key} is {value!r}: write a word")
    return changes


async def edit_clip(request: Request) -> Response:
    body = await body_of(request)
    return await run_in_threadpool(_edit, desk_of(request), request.path_params["name"], body)


def _edit(desk: Desk, name: str, body: Body) -> Response:
    with desk.library() as library:
        with clip_as_seen(library, name, body.maybe("seen")) as clip:
            changed = clips_work.edit(
                library, clip.name, _changes(body), new_name=body.maybe("new_name"),
                licence=body.maybe("licence"), credit=body.maybe_empty("credit"),
            )  # fmt: skip
            if tags := body.texts("tags"):
                clips_work.change_tags(library, [changed.name], tags)
        told = rename_in_shows(library, clip.name, changed.name).sentences(clip.name, changed.name) if changed.name != clip.name else []
        if changed.duration_s <= clips_work.MEASURED_AT_ONCE_S:
            clips_work.played_level(library, changed.name, keep=True)
        return answer({**seen_clip(library, changed.name), "told": told})


async def undo_clip(request: Request) -> Response:
    body = await body_of(request)
    return await run_in_threadpool(_undo, desk_of(request), request.path_params["name"], body)


def _undo(desk: Desk, name: str, body: Body) -> Response:
    with desk.library() as library:
        with clip_as_seen(library, name, body.maybe("seen")) as clip:
            clips_work.undo(library, clip.name)
        return answer(seen_clip(library, name))


async def many_clips(request: Request) -> Response:
    """Tags for several clips at once, taking them out of sight, or bringing them back."""
    body = await body_of(request)
    return await run_in_threadpool(_many, desk_of(request), body)


def _many(desk: Desk, body: Body) -> Response:
    names, what = body.texts("names"), body.text("what")
    if not names:
        raise InputError("no clips are marked: mark some first")
    with desk.library() as library:
        if what == "tags":
            clips_work.change_tags(library, names, body.texts("tags"))
        elif what == "remove":
            clips_work.remove(library, names)
        elif what == "bring back":
            clips_work.bring_back(library, names)
        elif what == "rights":
            was = body.mapping("was")
            with library.catalogue.atomic():
                for name in names:
                    if name in was and library.clip(name).licence != was[name]:
                        raise ChangedMeanwhile(
                            f"the licence of {name} was changed elsewhere since this page read it: look at it as it is now, "
                            "then set it again"
                        )
                    clips_work.edit(library, name, {}, licence=body.maybe("licence"), credit=body.maybe_empty("credit"))
        else:
            raise InputError(f"clips cannot be {what!r}: reload the page")
        return answer({"done": names, "removed": [c.name for c in library.catalogue.clips(removed=True)]})


def removed_clips(request: Request) -> Response:
    with desk_of(request).library() as library:
        return answer({"removed": [c.name for c in library.catalogue.clips(removed=True)]})


def _number(request: Request, name: str, default: float | None) -> float | None:
    text = request.query_params.get(name)
    if text is None or text == "":
        return default
    try:
        value = float(text)
    except ValueError:
        raise InputError(f"{name} is {text!r}: write a number") from None
    if not 0 <= value < 1e9:
        raise InputError(f"{name} is {text!r}: write a number from 0 up")
    return value


def clip_wave(request: Request) -> Response:
    from padbank.workflow.waveform import MAX_COLUMNS, waveform

    columns = _number(request, "columns", 800)
    if columns is None or not 1 <= columns <= MAX_COLUMNS:
        raise InputError(f"columns: ask for 1 to {MAX_COLUMNS}")
    with desk_of(request).library() as library:
        clip = library.clip(request.path_params["name"])
        low, high = _number(request, "from", 0.0) or 0.0, _number(request, "to", None)
        return answer(waveform(library, clip, low, high, int(columns)))


def _spot(request: Request) -> Spot | None:
    """The pad that is to be heard: ``bank`` and ``pad`` of the address."""
    from padbank.workflow.audition import Spot

    bank, pad = whole_asked(request, "bank"), request.query_params.get("pad")
    if not pad:
        return None
    if bank is None:
        raise InputError("the request names no bank: reload the page")
    return Spot(bank=bank, pad=pad)


def _show(request: Request) -> str | None:
    return named(request.query_params.get("show", "")) or None


def clip_levels(request: Request) -> Response:
    """Level and true peak before and after: what the pad would play."""
    from padbank.workflow.audition import audition

    with desk_of(request).library() as library:
        name = request.path_params["name"]
        facts = asdict(audition(library, name, _show(request), _spot(request)))
        return answer({**facts, "as_played": clips_work.played_level(library, name)})


def clip_sound(request: Request) -> Response:
    from padbank.workflow.audition import audition_file

    with desk_of(request).library() as library:
        path = audition_file(library, request.path_params["name"], _show(request), _spot(request))
    return FileResponse(path, media_type="audio/wav", headers={"cache-control": "private, no-cache"})


def propose_loop(request: Request) -> Response:
    """Loop points that match in level and slope, as changes to send back as an edit."""
    from padbank.workflow.loops import propose_for_clip

    with desk_of(request).library() as library:
        changes = propose_for_clip(library, request.path_params["name"])
    start_s, end_s = changes["loop_start_s"], changes["loop_end_s"]
    return answer({"changes": changes, "text": f"Loop from {start_s:.3f} s to {end_s:.3f} s."})


routes = [
    Route("/api/clips", list_clips),
    Route("/api/clips/many", many_clips, methods=["POST"]),
    Route("/api/clips/removed", removed_clips),
    Route("/api/clips/{name}", one_clip),
    Route("/api/clips/{name}/edit", edit_clip, methods=["POST"]),
    Route("/api/clips/{name}/undo", undo_clip, methods=["POST"]),
    Route("/api/clips/{name}/loop", propose_loop, methods=["POST"]),
    Route("/api/clips/{name}/wave", clip_wave),
    Route("/api/clips/{name}/levels", clip_levels),
    Route("/api/clips/{name}/sound.wav", clip_sound),
]
