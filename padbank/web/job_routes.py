"""Background work: look at it, stop it."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from padbank.web.desk import answer, desk_of


async def one_job(request: Request) -> Response:
    return answer(desk_of(request).jobs.get(request.path_params["job"]).seen())


async def stop_job(request: Request) -> Response:
    job = desk_of(request).jobs.get(request.path_params["job"])
    job.stop()
    return answer(job.seen())


async def running_jobs(request: Request) -> Response:
    return answer({"jobs": [job.seen() for job in desk_of(request).jobs.running()]})


routes = [
    Route("/api/jobs", running_jobs),
    Route("/api/jobs/{job}", one_job),
    Route("/api/jobs/{job}/stop", stop_job, methods=["POST"]),
]
