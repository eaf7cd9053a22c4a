"""Options of the server's commands, made from its settings: each setting is written down once."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from functools import wraps
from typing import Annotated, Any, ParamSpec

import typer
from pydantic import SecretStr

from reports.render import check_libraries
from service.settings import Settings

P = ParamSpec("P")


def drawing(command: Callable[P, None]) -> Callable[P, None]:
    """Let a command that draws pages refuse at once where libraries or fonts are missing, before it works."""

    @wraps(command)
    def checked(*given: P.args, **named: P.kwargs) -> None:
        check_libraries()
        command(*given, **named)

    return checked


def with_settings(*names: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Let a command take settings as options, or all of them where none is named.

    The command gets them as keywords; what was not typed is None.
    """

    def decorate(command: Callable[..., None]) -> Callable[..., None]:
        signature = inspect.signature(command, eval_str=True)
        own = [each for each in signature.parameters.values() if each.kind is not each.VAR_KEYWORD]
        made = [_parameter(name) for name in names or Settings.model_fields]
        command.__signature__ = signature.replace(parameters=own + made)  # type: ignore[attr-defined]
        command.__annotations__ = {each.name: each.annotation for each in own + made}
        return command

    return decorate


def _parameter(name: str) -> inspect.Parameter:
    field = Settings.model_fields[name]
    kind: Any = str | None if field.annotation == SecretStr | None else field.annotation
    written = f"--{name.replace('_', '-')}"
    if kind is bool:
        written += f"/--no-{name.replace('_', '-')}"
    told = typer.Option(written, help=f"{field.description} [FURROWSLICE_{name.upper()}]", show_default=False)
    return inspect.Parameter(
        name, inspect.Parameter.KEYWORD_ONLY, default=None, annotation=Annotated[kind | None, told]
    )
