"""The rule for passwords that Django has none for: no password is made of words that everybody here thinks of."""

import re

from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _

# The program, the shop's things and its roles. docs/security.md names this list.
SHOP_WORDS = (
    *(
        "loadworthy",
        "filament",
        "spools",
        "spool",
        "printers",
        "printer",
        "printing",
        "print",
        "nozzles",
        "nozzle",
    ),
    *(
        "dryer",
        "nylon",
        "petg",
        "gcode",
        "extruder",
        "hotend",
        "workshop",
        "shop",
        "owner",
        "admin",
        "password",
    ),
)
LEAST_OTHER_LETTERS = 4


class ShopWordsValidator:
    """Refuses passwords with few letters beside the words of the shop, such as "filament2026!"."""

    def validate(self, password: str, user: object = None) -> None:
        others, words = re.subn("|".join(SHOP_WORDS), "", password.lower())
        if words and len(re.findall(r"[^\W\d_]", others)) < LEAST_OTHER_LETTERS:
            raise ValidationError(
                _(
                    "This is easy to guess for whoever knows the shop. Add words that have nothing to do with it."
                ),
                code="password_of_shop_words",
            )

    def get_help_text(self) -> str:
        return _("Your password can’t be made of words of the shop alone, such as “filament2026”.")
