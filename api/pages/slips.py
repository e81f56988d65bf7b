"""A form with slips in it is shown again: each message at its field, and everything that was typed."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Mapping
from typing import Annotated, TypeVar

from fastapi import Depends, Request
from starlette.datastructures import FormData

from api.problems import ProblemError
from shared.ports import Conflict
from shared.times import TimeError

Made = TypeVar("Made")
OF_THE_FORM = frozenset({409, 413, 422})


async def whole_form(request: Request) -> AsyncIterator[FormData]:
    async with request.form() as sent:
        yield sent


Sent = Annotated[FormData, Depends(whole_form)]


class Typed:
    """What a form was sent with; before it was sent, what stands there to begin with."""

    def __init__(self, sent: FormData | None = None) -> None:
        self._sent = sent

    def __call__(self, name: str, otherwise: str = "") -> str:
        found = otherwise if self._sent is None else self._sent.get(name, "")
        return found if isinstance(found, str) else ""

    def has(self, name: str, value: str) -> bool:
        return self._sent is not None and value in self._sent.getlist(name)

    def has_any(self, *names: str) -> bool:
        return any(self(name) for name in names)

    def has_file(self, name: str) -> bool:
        """A browser does not give a chosen file back."""
        return self._sent is not None and bool(getattr(self._sent.get(name), "filename", ""))


class Slips:
    """``names``: the form's own name of what a check calls otherwise. ``at``: by the form's name, why in words."""

    def __init__(self, names: Mapping[str, str]) -> None:
        self._names = names
        self.at: dict[str, str] = {}
        self.status = 422

    def trying(self, make: Callable[[], Made], otherwise: str | Callable[[str, str], str]) -> Made | None:
        """``make()``; None = it cannot be, and why is noted. ``otherwise``: where, if the check does not say."""
        try:
            return make()
        except ProblemError as error:
            if error.status not in OF_THE_FORM:
                raise
            self._note(error.errors[0].where if error.errors else "", error.detail, error.status, otherwise)
        except Conflict as error:
            self._note("", str(error), 409, otherwise)
        except TimeError as error:
            self._note("", str(error), 422, otherwise)
        return None

    def _note(self, where: str, why: str, status: int, otherwise: str | Callable[[str, str], str]) -> None:
        name = where.removeprefix("body.").removeprefix("path.")
        place = self._names.get(name) or (otherwise if isinstance(otherwise, str) else otherwise(name, why))
        self.status = self.status if self.at else status
        self.at.setdefault(place, why)
