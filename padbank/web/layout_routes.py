"""Layouts: look at the banks, arrange by hand, pin, plan in the background, ask why."""

from __future__ import annotations

import json
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from padbank.errors import InputError
from padbank.store.library import Library
from padbank.web.desk import Body, Desk, answer, body_of, desk_of, named, whole_asked
from padbank.web.jobs import JobHandle
from padbank.workflow import arrange
from padbank.workflow.pad_limits import pad_classes, takes
from padbank.workflow.plain import plain
from padbank.workflow.plan import Planned, plan
from padbank.workflow.revisions import text_revision
from padbank.workflow.stage import loop_of, stage_view, tag_signs


def seen_board(library: Library, show: str, number: int | None = None, *, limits: bool = False) -> dict[str, Any]:
    """A show's layout as the page shows it; with ``limits``, what each pad takes of each clip as well."""
    board = arrange.read_board(library, show, number)
    rig, layout, clips = board.rig, board.layout, board.opened.clips
    pins = arrange.pins_by_place(board)
    moved, hits = board.moved, arrange.served_hits(board)
    titles = {s.name: s.title or s.name for s in board.show.segments}

    def facts_of(name: str) -> dict[str, Any]:
        clip, facts = clips.get(name), board.facts.get(name)
        return {
            "name": name,
            "tags": clip.tags if clip else (),
            "duration_s": clip.duration_s if clip else 0.0,
            "play_mode": clip.recipe.play_mode if clip else "one-shot",
            "mute_group": clip.recipe.mute_group if clip else None,
            "loop": loop_of(clip) if clip else None,
            "loudness_lufs": facts.loudness_lufs if facts else None,
            "cleared": clip.cleared if clip else False,
        }

    placed = {p.clip for p in layout.places}
    classes = pad_classes(rig) if limits else ()
    seen = {
        **({"pad_classes": classes, "takes": takes(rig, board.facts.values(), classes)} if limits else {}),
        "show": board.show.name,
        "title": board.show.title or board.show.name,
        "revision": board.revision,
        "ground": board.ground,
        "rights": board.show.rights,
        "number": layout.number,
        "numbers": library.catalogue.layout_numbers(board.show.name),
        "result": board.result,
        "rig": rig,
        "banks": [
            {
                "bank": bank,
                "segments": [
                    titles.get(s, s) for s in (layout.bank_segments[bank - 1] if bank <= len(layout.bank_segments) else ())
                ],
            }
            for bank in range(1, rig.banks + 1)
        ],
        "places": [
            {
                "bank": p.bank,
                "pad": p.pad_id,
                "clip": p.clip,
                "channels": p.channels,
                "sample_rate_hz": p.sample_rate_hz,
                "moved": (p.bank, p.pad_id) in moved,
                "pinned": (p.bank, p.pad_id) in pins,
                "hits": round(hits.get((p.bank, p.pad_id), 0.0), 2),
            }
            for p in layout.places
        ],
        "controls": [
            {
                "bank": c.bank,
                "pad": c.pad_id,
                "label": c.label,
                "fixed": rig.controls_in(c.bank).get(c.pad_id) is not None,
            }
            for c in layout.controls
        ],
        "clips": {name: facts_of(name) for name in sorted(placed | set(board.facts))},
        "signs": tag_signs(board.opened, layout),
        "unplaced": arrange.left_to_place(board),
        "weighed": arrange.weigh(board),
    }
    state = {k: v for k, v in seen.items() if k not in ("pad_classes", "takes")}
    return {**seen, "state": text_revision(json.dumps(plain(state)))}


def _show(request: Request) -> str:
    return named(str(request.path_params["show"]))


def one_layout(request: Request) -> Response:
    number = whole_asked(request, "number")
    with desk_of(request).library() as library:
        return answer(seen_board(library, _show(request), number, limits=True))


async def try_step(request: Request) -> Response:
    """What a step would change, without taking it: for the pad under the finger."""
    body = await body_of(request)
    return await run_in_threadpool(_try, desk_of(request), _show(request), body)


def _try(desk: Desk, show: str, body: Body) -> Response:
    with desk.library() as library:
        board = arrange.read_board(library, show)
        step = body.mapping("step")
        try:
            layout = arrange.apply_step(board, step)
        except InputError as error:  # a clip held over a pad that cannot take it is no fault of the page
            return answer({"weighed": None, "refused": str(error)})
        return answer({"weighed": arrange.weigh(board, layout), "refused": None})


async def take_step(request: Request) -> Response:
    body = await body_of(request)
    return await run_in_threadpool(_take, desk_of(request), _show(request), body)


def _take(desk: Desk, show: str, body: Body) -> Response:
    seen = body.whole("seen")
    if seen is None:
        raise InputError("the request lacks 'seen': reload the page")
    step = body.mapping("step")
    with desk.library() as library:
        board = arrange.read_board(library, show)
        if step.get("do") == "put back":
            number = step.get("number")
            if isinstance(number, bool) or not isinstance(number, int):
                raise InputError("the step names no layout: reload the page")
            layout = arrange.earlier_layout(library, board, number)
        else:
            layout = arrange.apply_step(board, step)
        arrange.keep_step(library, board, seen, layout)
        return answer(seen_board(library, show))


async def pin(request: Request) -> Response:
    body = await body_of(request)
    return await run_in_threadpool(_pin, desk_of(request), _show(request), body)


def _pin(desk: Desk, show: str, body: Body) -> Response:
    with desk.library() as library:
        if body.yes("on"):
            arrange.set_pin_of(library, show, body.text("clip"), body.text("pad"), body.whole("bank"), body.maybe("seen"))
        else:
            arrange.clear_pin_of(library, show, body.text("clip"), body.maybe("seen"))
        return answer(seen_board(library, show))


def why(request: Request) -> Response:
    clip = request.query_params.get("clip")
    if clip:
        with desk_of(request).library() as library:
            return answer(arrange.explain(arrange.read_board(library, _show(request)), clip))
    bank, pad = whole_asked(request, "bank"), request.query_params.get("pad", "")
    if bank is None:
        raise InputError("the request names no bank: reload the page")
    with desk_of(request).library() as library:
        board = arrange.read_board(library, _show(request))
        return answer(arrange.why_here(board, bank, board.rig.pad(pad).pad_id))


async def start_plan(request: Request) -> Response:
    """Run the planner in the background; stopping it keeps the best layout so far."""
    desk, show = desk_of(request), _show(request)
    body = await body_of(request)
    seconds, fresh, go_on = body.number("seconds"), body.yes("fresh"), body.yes("go_on")
    if seconds is not None and not 0.1 <= seconds <= 86_400:
        raise InputError("seconds: write a number from 0.1 up, or leave it empty to plan until it is proved")

    def work(job: JobHandle) -> dict[str, Any]:
        def watch(objective: float, bound: float) -> None:
            job.note(objective=objective, gap=(objective - bound) / objective if objective > 0 else 0.0)

        with desk.library() as library:
            planned = plan(
                library, show, seconds=seconds, fresh=fresh, go_on=go_on, progress=job.progress,
                should_stop=job.should_stop, watch=watch,
            )  # fmt: skip
            return seen_plan(planned)

    return answer(desk.jobs.start("planning", show, work).seen())


def seen_plan(planned: Planned) -> dict[str, Any]:
    result = planned.result
    return {
        "number": planned.layout.number, "status": result.status, "objective": result.objective,
        "bound": result.bound, "gap": result.gap, "gap_without_wishes": result.gap_without_wishes,
        "bound_holds_for": result.bound_holds_for, "left_out": result.left_out, "findings": planned.findings,
        "meanwhile": planned.meanwhile, "moved": len(planned.moved), "placed": len({p.clip for p in planned.layout.places}),
    }  # fmt: skip


def banks_to_play(request: Request) -> Response:
    with desk_of(request).library() as library:
        return answer(stage_view(library, _show(request)))


def signs(request: Request) -> Response:
    """What the tags of a show look like, for the list of clips; null for a show that cannot be read."""
    with desk_of(request).library() as library:
        try:
            return answer({"signs": arrange.signs_of_show(library, _show(request))})
        except InputError:  # told where shows are
            return answer({"signs": None})


# Below /api/layouts (see ``app``).
routes = [
    Route("/{show}", one_layout),
    Route("/{show}/try", try_step, methods=["POST"]),
    Route("/{show}/step", take_step, methods=["POST"]),
    Route("/{show}/pin", pin, methods=["POST"]),
    Route("/{show}/why", why),
    Route("/{show}/plan", start_plan, methods=["POST"]),
    Route("/{show}/banks", banks_to_play),
    Route("/{show}/signs", signs),
]
