"""The words of caps: the part that limits the temperature of a drying."""

from spools.codes import pretty
from spools.models import Spool
from spools.statements import Statement, Values, words_for


@words_for("cap.most")
def _limit(limit_c: float, part: Values) -> str:
    return f"{limit_c:g} °C is the most for {Statement.from_data(part).sentence}"


@words_for("cap.drying")
def _drying(polymer: str) -> str:
    return f"drying {polymer}"


@words_for("cap.softening")
def _softening(polymer: str) -> str:
    return f"{polymer}, which softens there"


@words_for("cap.coupon_passed")
def _coupon_passed(polymer: str, passed_c: float) -> str:
    return f"{polymer}, of which a coupon stayed free at {passed_c:g} °C"


@words_for("cap.coupon_failed")
def _coupon_failed(polymer: str, failed_c: float) -> str:
    return f"{polymer}, of which a coupon stuck at {failed_c:g} °C"


@words_for("cap.oxidation")
def _oxidation(polymer: str) -> str:
    return f"{polymer} in air, which oxidises when hotter"


@words_for("cap.wet")
def _wet(polymer: str, error_k: float) -> str:
    allowance = f", with the dryer's error of {error_k:g} K" if error_k else ""
    return f"{polymer} while it may be wet{allowance}"


@words_for("cap.reel_stated")
def _reel_stated() -> str:
    return "its reel, as stated"


@words_for("cap.reel")
def _reel(material: str) -> str:
    core = Spool.CoreMaterial(material)
    return "a reel of unknown material" if core == Spool.CoreMaterial.UNKNOWN else f"a reel of {core.label}"


@words_for("cap.dryer")
def _dryer(dryer: str) -> str:
    return f"the dryer {dryer}"


@words_for("cap.neighbour")
def _neighbour(spool: str, part: Values) -> str:
    return f"spool {pretty(spool)} beside it ({Statement.from_data(part).sentence})"
