"""The words of caps: the part that limits the temperature of a drying."""

from django.utils.translation import gettext as _

from spools.codes import pretty
from spools.models import Spool
from spools.statements import Statement, Values, words_for
from spools.wording import format_temperature, format_temperature_difference


@words_for("cap.most")
def _limit(limit_c: float, part: Values) -> str:
    return _("{limit} is the most for {part}").format(
        limit=format_temperature(limit_c), part=Statement.from_data(part).sentence
    )


@words_for("cap.drying")
def _drying(polymer: str) -> str:
    return _("drying {polymer}").format(polymer=polymer)


@words_for("cap.softening")
def _softening(polymer: str) -> str:
    return _("{polymer}, which softens there").format(polymer=polymer)


@words_for("cap.coupon_passed")
def _coupon_passed(polymer: str, passed_c: float) -> str:
    return _("{polymer}, of which a coupon stayed free at {temperature}").format(
        polymer=polymer, temperature=format_temperature(passed_c)
    )


@words_for("cap.coupon_failed")
def _coupon_failed(polymer: str, failed_c: float) -> str:
    return _("{polymer}, of which a coupon stuck at {temperature}").format(
        polymer=polymer, temperature=format_temperature(failed_c)
    )


@words_for("cap.oxidation")
def _oxidation(polymer: str) -> str:
    return _("{polymer} in air, which oxidises when hotter").format(polymer=polymer)


@words_for("cap.wet")
def _wet(polymer: str, error_k: float) -> str:
    if not error_k:
        return _("{polymer} while it may be wet").format(polymer=polymer)
    return _("{polymer} while it may be wet, with the dryer's error of {error}").format(
        polymer=polymer, error=format_temperature_difference(error_k)
    )


@words_for("cap.reel_stated")
def _reel_stated() -> str:
    return _("its reel, as stated")


@words_for("cap.reel")
def _reel(material: str) -> str:
    core = Spool.CoreMaterial(material)
    if core == Spool.CoreMaterial.UNKNOWN:
        return _("a reel of unknown material")
    return _("a reel of {material}").format(material=core.label)


@words_for("cap.dryer")
def _dryer(dryer: str) -> str:
    return _("the dryer {dryer}").format(dryer=dryer)


@words_for("cap.neighbour")
def _neighbour(spool: str, part: Values) -> str:
    return _("spool {code} beside it ({reason})").format(
        code=pretty(spool), reason=Statement.from_data(part).sentence
    )
