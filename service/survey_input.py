"""A survey that a command sets beside a repertoire."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from importlib.util import find_spec
from typing import TYPE_CHECKING, Any

from pawnlore.service.cli import CannotStart

if TYPE_CHECKING:
    from pawnlore.service.survey.place import Place
    from pawnlore.service.survey.type_games import SurveyedTypes
    from pawnlore.service.workbook import Workbook


@dataclass(frozen=True)
class SurveyBeside:
    """A finished survey: where it is, what it says of itself, and which command asks."""

    place: Place
    description: dict[str, Any]
    command: str

    def types(self, work: Workbook, model: str) -> SurveyedTypes:
        """What it says of each type, beside a repertoire that was read with position keys.

        ``model`` is the digest of the one that judged the repertoire; another
        one is told on standard error. Raises `CannotStart` where the survey
        cannot be read.
        """
        from pawnlore.service.survey.against import against
        from pawnlore.service.survey.answers import answers
        from pawnlore.service.survey.survey_parts import NoSurvey
        from pawnlore.service.survey.type_games import surveyed_types

        if model != self.description.get("model"):
            print(
                f"pawnlore {self.command}: the survey was made with another model; its structures "
                "and the repertoire's may not fit together",
                file=sys.stderr,
            )
        try:
            return surveyed_types(answers(self.place), against(self.place, work))
        except NoSurvey as error:
            raise CannotStart(str(error)) from None


def survey_to_set_beside(folder: str, command: str) -> SurveyBeside:
    """Look at a survey's folder; raises `CannotStart` where it holds none, or packages lack."""
    missing = [name for name in ("pyarrow", "fsspec") if find_spec(name) is None]
    if missing:
        raise CannotStart(f"--survey needs {' and '.join(missing)}: install pawnlore[survey]")
    from pawnlore.service.survey.place import Place
    from pawnlore.service.survey.survey_parts import NoSurvey, description

    place = Place(folder)
    try:
        return SurveyBeside(place, description(place), command)
    except NoSurvey as error:
        raise CannotStart(str(error)) from None
