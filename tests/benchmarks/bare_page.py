"""What a page is measured against: bare FastAPI and Jinja2, one row of the same database, and no session."""

from __future__ import annotations

import sys

import sqlalchemy as sa
import uvicorn
from fastapi import FastAPI
from jinja2 import DictLoader, Environment
from starlette.responses import HTMLResponse

from service.cli.serve import bind
from service.store import schema

PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>{{ row.name }}</title></head>
<body><h1>{{ row.name }}</h1><dl><dt>Code</dt><dd>{{ row.code }}</dd>
<dt>Area</dt><dd>{{ row.area_ha }} ha</dd></dl>
</body></html>
"""


def make_app(url: str) -> FastAPI:
    """The bare application over a database."""
    app, engine = FastAPI(), sa.create_engine(url)
    templates = Environment(loader=DictLoader({"page": PAGE}), autoescape=True, auto_reload=False)

    @app.get("/fields/{field_id}")
    def page(field_id: int) -> HTMLResponse:
        with engine.connect() as connection:
            row = connection.execute(
                sa.select(schema.field.c.name, schema.field.c.code, schema.field.c.area_ha).where(
                    schema.field.c.id == field_id
                )
            ).one()
        return HTMLResponse(templates.get_template("page").render(row=row))

    return app


def main() -> None:
    """Serve the database of the first argument with the settings that the real server has."""
    with bind("127.0.0.1", 0) as door:
        print(f"http://127.0.0.1:{door.getsockname()[1]}", flush=True)
        config = uvicorn.Config(make_app(sys.argv[1]), log_config=None, access_log=False, server_header=False)
        uvicorn.Server(config).run(sockets=[door])


if __name__ == "__main__":
    main()
