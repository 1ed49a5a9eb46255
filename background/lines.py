"""Texts of one line: what people enter in models has no invisible characters, by whatever way it comes."""

import unicodedata
from collections.abc import Callable, Iterable
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models
from django.db.models.signals import pre_save
from django.utils.translation import gettext as _

# Control characters, marks that change the direction of writing and such, separators of lines and paragraphs.
REFUSED = {"Cc", "Cf", "Zl", "Zp"}
# Entered in an area, where the Enter key makes a line.
SEVERAL_LINES = {"note", "override_reason"}


def is_refused(character: str) -> bool:
    return unicodedata.category(character) in REFUSED


def as_line(text: str) -> str:
    """A name that comes from a machine, with "?" for each character that is refused to people."""
    return "".join("?" if is_refused(character) else character for character in text)


def validate_line(text: str) -> None:
    """Raises ValidationError with the code control_characters and the first one."""
    if text.isprintable():
        return
    for character in text:
        if is_refused(character):
            raise ValidationError(
                _("There is an invisible character in this text ({code}). Type the text anew.").format(
                    code=f"U+{ord(character):04X}"
                ),
                code="control_characters",
            )


def validate_lines(text: str) -> None:
    """The same, for a text that may have several lines."""
    validate_line(text.replace("\r\n", "").replace("\n", ""))


def guard_lines(entered: Iterable[type[models.Model]]) -> None:
    """From now on the texts of these models are validated with the model, and whenever a row is saved."""
    for model in entered:
        for field in _texts(model):
            field.validators.append(_validator(field))
        pre_save.connect(_require_lines, model, dispatch_uid=f"lines.{model._meta.label}")


def _texts(model: type[models.Model]) -> list[models.Field]:
    fields = model._meta.concrete_fields
    return [field for field in fields if isinstance(field, models.CharField) and not field.choices]


def _validator(field: models.Field) -> Callable[[str], None]:
    return validate_lines if field.name in SEVERAL_LINES else validate_line


def _require_lines(sender: type[models.Model], instance: Any, **_: Any) -> None:
    for field in _texts(sender):
        text = getattr(instance, field.attname)
        if isinstance(text, str) and not text.isprintable():
            try:
                _validator(field)(text)
            except ValidationError as error:
                raise ValidationError({field.name: error}) from None
