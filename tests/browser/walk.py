"""A newcomer's first days, clicked through in a real browser: from an empty shop to a replaced nozzle.

The shop's clock is real: what happened before today is entered with past times, as the forms allow.
"""

import re
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from playwright.sync_api import Locator, Page, expect

from tests.services.shop import Shop

# The default of config/settings.py, which the forms speak in.
SHOP_ZONE = ZoneInfo("Europe/Berlin")
BRASS, HARDENED = "brass nozzle 0.4 mm", "hardened steel nozzle 0.4 mm"

# Opens what a field is folded in; returns how many taps that takes.
UNFOLD = """field => {
  let taps = 0;
  for (let fold = field.closest("details"); fold; fold = fold.parentElement.closest("details")) {
    taps += fold.open ? 0 : 1;
    fold.open = true;
  }
  return taps;
}"""


def ago(**duration: float) -> str:
    """A past time as a datetime-local field takes it."""
    return f"{datetime.now(SHOP_ZONE) - timedelta(**duration):%Y-%m-%dT%H:%M}"


class Newcomer:
    """The steps of a person in the pages of a shop, by the words that they show."""

    def __init__(self, page: Page, shop: Shop) -> None:
        self.page = page
        self.shop = shop
        # Taps and fields since the count began, and forms that were sent.
        self.touches = self.forms = 0
        page.set_default_timeout(60_000)
        page.on("request", lambda request: self._count(request.method))

    def _count(self, method: str) -> None:
        self.forms += method == "POST"

    def count_anew(self) -> None:
        self.touches = self.forms = 0

    def go(self, path: str) -> None:
        self.page.goto(self.shop.url + path)

    def tap(self, name: str | re.Pattern[str]) -> None:
        """A button or a link that looks like one."""
        self.touches += 1
        both = self.page.get_by_role("main").get_by_role("button", name=name)
        both.or_(self.page.get_by_role("main").get_by_role("link", name=name)).first.click()

    def open(self, summary: str) -> None:
        """Unfolds what stands below these words."""
        self.page.get_by_role("main").locator("summary", has_text=summary).first.click()

    def fill(self, **fields: str | bool) -> None:
        """Fields by their names: text, choices by label, radio buttons by label, check boxes by truth."""
        for name, value in fields.items():
            self.touches += 1
            field = self._fields(name)
            self.touches += field.first.evaluate(UNFOLD)
            if isinstance(value, bool):
                field.set_checked(value)
            elif field.first.evaluate("field => field.tagName") == "SELECT":
                field.select_option(label=self._option(name, value))
            elif field.first.get_attribute("type") == "radio":
                choices = self.page.locator("label.choice", has_text=value)
                choices.filter(has=self.page.locator(f'[name="{name}"]')).first.click()
            else:
                field.fill(value)

    def _fields(self, name: str) -> Locator:
        """In the form that stores something, where a page has one beside others."""
        field = self.page.locator(f'form[method="post"] [name="{name}"]')
        return field if field.count() else self.page.locator(f'[name="{name}"]')

    def _option(self, name: str, part: str) -> str:
        """The whole text of the choice that holds these words."""
        options = self.page.locator(f'[name="{name}"] option').all_text_contents()
        return next(option for option in options if part in option)

    def sees(self, text: str | re.Pattern[str]) -> None:
        expect(self.page.get_by_role("main")).to_contain_text(text)

    def sees_not(self, text: str) -> None:
        expect(self.page.get_by_role("main")).not_to_contain_text(text)


def walk(page: Page, shop: Shop) -> None:
    """The whole way. Raises AssertionError where a page does not say what it should."""
    me = Newcomer(page, shop)
    sign_in(me)
    begin(me)
    receive_ten(me)
    code = walk_to_the_nozzle(me)
    mend_the_past(me, code)


def walk_to_the_nozzle(me: Newcomer) -> str:
    """From an empty shop to a replaced nozzle; the code of the spool."""
    furnish(me)
    code = receive(me)
    leave_on_the_shelf(me, code)
    scan_and_see_the_hold(me, code)
    dry(me, code)
    load(me, code)
    print_until_the_nozzle_is_worn(me, code)
    replace_the_nozzle(me, code)
    return code


def sign_in(me: Newcomer) -> None:
    me.go("/")
    me.fill(username=me.shop.user, password=me.shop.password + "x")
    me.tap("Sign in")
    expect(me.page.get_by_role("alert")).to_be_visible()
    sign_in_as_told(me)
    me.sees("First steps")


def sign_in_as_told(me: Newcomer) -> None:
    """With the account of the first start, whose password is changed first unless it is the demo's."""
    me.go("/")
    me.fill(username=me.shop.user, password=me.shop.password)
    me.tap("Sign in")
    expect(me.page).not_to_have_url(re.compile("/sign-in/"))
    if me.page.url.endswith("/accounts/password/"):
        chosen = me.shop.password + "-of-my-own"
        me.fill(old_password=me.shop.password, new_password1=chosen, new_password2=chosen)
        me.tap("Change the password")
        me.shop.password = chosen
    expect(me.page).to_have_url(me.shop.url + "/")


def begin(me: Newcomer) -> None:
    """From the empty shop's Today to the first verdict."""
    me.count_anew()
    me.tap("Begin")
    me.fill(printer_name="Bench", nozzle=BRASS, nozzle_age="just fitted", polymer="PLA")
    me.fill(maker="Fernhill Polymers", colour="grey", count="2", state="opened", since="about a month")
    me.tap("Show the verdict")
    me.sees(re.compile("Clear|Caution"))
    assert me.forms <= 3 and me.touches <= 15, (me.forms, me.touches)


def receive_ten(me: Newcomer) -> None:
    """From Today to ten labels on one sheet."""
    me.go("/")
    me.count_anew()
    me.page.get_by_role("link", name="Spools", exact=True).locator("visible=true").first.click()
    me.touches += 1
    me.tap(re.compile("^Receive"))
    me.fill(
        feedstock="Fernhill Polymers PLA grey", core_kind="cardboard reel, 1 kg", count="10", place="Workshop"
    )
    me.tap("Receive")
    me.fill(paper="3 × 8, 70 × 36 mm")
    me.tap("Lay out")
    expect(me.page.locator(".paper")).to_have_count(1)
    expect(me.page.locator("[data-label]")).to_have_count(10)
    expect(me.page.get_by_role("button", name="Print")).to_be_visible()
    # The last tap is on that button: what follows belongs to the browser.
    assert me.forms == 1 and me.touches + 1 <= 12, (me.forms, me.touches)


def furnish(me: Newcomer) -> None:
    """Places, a material from its data sheet, parts, and two printers: one with a soft nozzle."""
    for name, kind, rh_pct in (("Open shelf", "shelf", "60"), ("Dry box", "dry box", "10")):
        me.go("/places/new/")
        me.fill(name=name, kind=kind, assumed_temperature_c="22", assumed_rh_pct=rh_pct)
        me.tap("Save")
    me.go("/places/new/")
    me.fill(name="Warm cabinet", kind="dryer", assumed_rh_pct="140", max_set_point_c="90", moved_air=True)
    me.tap("Save")
    me.sees("100")
    me.fill(assumed_rh_pct="45")
    me.tap("Save")
    me.go("/feedstocks/new/")
    me.fill(
        maker_name="Fernhill Polymers",
        polymer="PA6",
        name="Tough fibre",
        colour="black",
        filler="carbon fibre",
        filler_mass_fraction="0.2",
    )
    me.tap("Save")
    for kind, count in ((BRASS, "2"), (HARDENED, "1"), ("hardened steel drive gears", "2")):
        me.go("/stock/add/")
        me.fill(kind=kind, count=count, when=ago(days=9))
        me.tap("Save")
    for name, nozzle in (("Left", HARDENED), ("Right", BRASS)):
        me.go("/machines/new/")
        me.page.locator('[name$="name"]').first.fill(name)
        me.page.locator('[name="enclosed"]').check()
        me.page.locator('[name$="bed_max_c"]').fill("110")
        me.tap("Save")
        for part in (nozzle, "hardened steel drive gears"):
            me.tap(re.compile("^Fit a"))
            me.fill(source=part, when=ago(days=8))
            me.tap("Fit it")


def receive(me: Newcomer) -> str:
    me.go("/spools/receive/")
    me.fill(feedstock="Tough fibre", core_kind="polycarbonate reel, 1 kg", place="Dry box")
    me.fill(net_mass_g="-5", card="dry", when=ago(days=6))
    me.tap("Receive")
    me.page.locator('[name="net_mass_g"]').fill("1000")
    me.tap("Receive")
    code = me.page.locator(".label .code").first.inner_text().strip()
    assert re.fullmatch(r"\w{3}-\w{3}", code), code
    return code


def leave_on_the_shelf(me: Newcomer, code: str) -> None:
    me.go(f"/s/{code}/")
    me.open("More")
    me.tap("Move")
    me.fill(place="Open shelf", when=ago(days=-1))
    me.tap("Move it")
    me.sees("future")
    me.fill(place="Open shelf", when=ago(days=3))
    me.tap("Move it")
    me.open("More")
    me.tap("I opened the bag")
    me.fill(when=ago(days=3))
    me.tap("The bag is opened")


def scan_and_see_the_hold(me: Newcomer, code: str) -> None:
    me.go("/scan/")
    swapped = code[1] + code[0] + code[2:]
    me.fill(code=swapped if swapped != code else code[:-1] + "3")
    me.page.keyboard.press("Enter")
    me.sees("wrong")
    me.go("/scan/")
    me.fill(code=code.lower())
    me.page.keyboard.press("Enter")
    me.sees("Hold")
    me.sees(re.compile(r"the print limit is 0\.75\s*%"))


def dry(me: Newcomer, code: str) -> None:
    me.tap("Dry")
    me.sees("at most 90 °C")
    hours = me.page.locator('form[method="post"] [name="planned_hours"]').input_value()
    me.fill(set_point_c="95", when=ago(hours=24))
    me.tap("Start drying")
    me.sees("90 °C is the most for PA6")
    me.fill(set_point_c="75", planned_hours=hours, when=ago(hours=24))
    me.tap("Start drying")
    me.sees("Drying in Warm cabinet")
    me.tap("Take out of the dryer")
    me.page.locator('select[name$="place"]').select_option(label="Dry box")
    me.tap("Take out")
    me.go(f"/s/{code}/")
    expect(me.page.locator('[data-note="best_verdict"]', has_text="Left")).to_contain_text("Clear")


def load(me: Newcomer, code: str) -> None:
    """On the machine with the brass nozzle, in spite of the warning."""
    me.open("More")
    me.tap("Other toolhead")
    me.tap("Load on Right")
    me.sees("Hold")
    me.sees("brass")
    me.tap("Load in spite of the hold")
    me.sees("reason")
    me.fill(override_reason="Only brass was left; a short run of brackets.")
    me.tap("Load in spite of the hold")
    me.sees("On Right")


def print_until_the_nozzle_is_worn(me: Newcomer, code: str) -> None:
    for name, grams, reason in (("Brackets", "60", True), ("More brackets", "300", True)):
        me.go(f"/s/{code}/")
        me.tap("Record a job")
        me.fill(name=name, mass_g=grams, hours="3", nozzle_c="265", bed_c="80")
        me.tap("Check")
        me.sees("Hold")
        if reason:
            me.fill(override_reason="Watched by hand.")
        me.tap(re.compile("^Record"))
        me.sees(name)
    me.go("/reminders/")
    me.sees(re.compile("Replace.*brass nozzle", re.IGNORECASE))


def replace_the_nozzle(me: Newcomer, code: str) -> None:
    me.go("/machines/")
    me.page.locator("section", has_text="Right").locator("summary", has_text="Nozzle").first.click()
    me.tap("Replace the nozzle of Right")
    me.tap("Replace it")
    me.go("/reminders/")
    expect(me.page.locator("[data-reminder]", has_text=re.compile("Replace", re.IGNORECASE))).to_have_count(0)
    me.go("/")
    me.sees(code)


def mend_the_past(me: Newcomer, code: str) -> None:
    """A wrong unloading is withdrawn, and what nobody recorded then is added between later facts."""
    me.go(f"/s/{code}/")
    me.tap("Take off")
    me.fill(place="Open shelf")
    me.tap("Take it off")
    me.sees_not("On Right")
    me.tap(re.compile("^Withdraw the move"))
    me.fill(reason="It was another spool.")
    me.tap("Withdraw")
    me.sees("On Right")
    me.open("Earlier")
    me.tap("Add a past stay")
    me.fill(place="Dry box", start=ago(hours=40), end=ago(hours=10))
    me.tap("Save")
    me.sees("was drying in Warm cabinet")
    me.fill(start=ago(hours=40), end=ago(hours=36))
    me.tap("Save")
    me.open("Earlier")
    me.tap("Add a past drying run")
    me.fill(dryer="Warm cabinet", set_point_c="70", start=ago(hours=60), end=ago(hours=52))
    me.tap("Save")
    me.go(f"/s/{code}/history/")
    me.sees(re.compile(r"at 75 °C.*Dry box for 4 h.*at 70 °C, 8 h in all", re.DOTALL))
    me.sees_not("brackets..")
