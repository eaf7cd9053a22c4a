"""The web application: pages for people, an API for programs, both over the same actions."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from fastapi import FastAPI
from starlette.middleware import Middleware
from starlette.staticfiles import StaticFiles

from service import api, pages
from service.site import Site
from service.web import problems
from service.web.bodies import LimitBodies
from service.web.guard import Guard

MIB = 1024**2
FORM_ROOM = MIB  # for the fields of a form, beside its file


def make_app(site: Site) -> FastAPI:
    """Build the application of one site.

    The API is an application of its own under ``/api/v1``, so that its description holds nothing else.
    """
    settings = site.settings
    limit = settings.largest_upload_mib * MIB + FORM_ROOM
    secure = settings.address.startswith("https://")
    hosts = [settings.address.partition("://")[2]]
    app = FastAPI(
        openapi_url=None,
        middleware=[
            Middleware(Guard, hosts=hosts, secure=secure), Middleware(LimitBodies, largest=limit),
        ],
    )  # fmt: skip
    app.state.site = site
    problems.install(app)
    app.mount("/static", StaticFiles(directory=Path(str(files("service.pages"))) / "static"), "static")
    app.mount("/api/v1", api.make_api(site))
    pages.add_pages(app)
    return app
