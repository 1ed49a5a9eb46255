from django.urls import include, path, re_path
from drf_spectacular.views import SpectacularSwaggerSplitView
from rest_framework.routers import SimpleRouter

from maintenance.files.kinds import KINDS

from .views.audit import AuditEntries
from .views.catalogue import CoreKinds, CouponTests, Feedstocks, Fillers, Makers, Polymers
from .views.costs import UsageReport
from .views.drying import DryingRuns
from .views.events import Events
from .views.files import Files
from .views.flow_checks import FlowChecks
from .views.job_files import JobFiles
from .views.jobs import JobEvents, Jobs
from .views.machines import (
    BoreReadings,
    Fittings,
    Loadings,
    PartKinds,
    Parts,
    Printers,
    PriorUses,
    StockEntries,
    Toolheads,
)
from .views.may_start import MayStart
from .views.measurements import HeldValues, Measurements, SensorPlacements, Sensors
from .views.not_found import NotFoundView
from .views.places import Charges, Places, Readings, ReadingWithdrawals, SaltChecks
from .views.printer_events import PrinterEvents
from .views.readiness import Readiness
from .views.reminders import Reminders
from .views.scales import ScalePrints, Scales, ScaleValues, Scans, Weighings
from .views.schema import SchemaView
from .views.service import ServiceKinds, Services
from .views.spools import Endings, Joinings, MassEntries, Moves, Openings, Respoolings, Spools
from .views.today import Now
from .views.token import Tokens
from .views.topic_rules import TopicRules
from .views.trouble import Troubles
from .views.webhooks import Webhooks
from .views.week import PlannedDryings, PrintRequests, WeekPlans

router = SimpleRouter()
# Addresses are written without a slash at the end; with one they work, too.
router.trailing_slash = "/?"
for prefix, endpoint in [
    ("polymers", Polymers),
    ("fillers", Fillers),
    ("makers", Makers),
    ("feedstocks", Feedstocks),
    (r"feedstocks/(?P<feedstock_pk>[^/.]+)/coupon-tests", CouponTests),
    ("core-kinds", CoreKinds),
    ("measurements", Measurements),
    ("sensors", Sensors),
    ("sensor-placements", SensorPlacements),
    ("held-values", HeldValues),
    ("topic-rules", TopicRules),
    ("places", Places),
    (r"places/(?P<place_pk>[^/.]+)/readings", Readings),
    (r"places/(?P<place_pk>[^/.]+)/charges", Charges),
    (r"places/(?P<place_pk>[^/.]+)/salt-checks", SaltChecks),
    (r"places/(?P<place_pk>[^/.]+)/reading-withdrawals", ReadingWithdrawals),
    (r"spools/(?P<code>[^/]+)/mass-entries", MassEntries),
    (r"spools/(?P<code>[^/]+)/openings", Openings),
    (r"spools/(?P<code>[^/]+)/moves", Moves),
    (r"spools/(?P<code>[^/]+)/endings", Endings),
    (r"spools/(?P<code>[^/]+)/joinings", Joinings),
    (r"spools/(?P<code>[^/]+)/respoolings", Respoolings),
    ("spools", Spools),
    ("drying-runs", DryingRuns),
    ("print-requests", PrintRequests),
    ("week-plans", WeekPlans),
    ("planned-dryings", PlannedDryings),
    ("printers", Printers),
    ("toolheads", Toolheads),
    ("loadings", Loadings),
    ("part-kinds", PartKinds),
    ("parts", Parts),
    ("bore-readings", BoreReadings),
    ("prior-uses", PriorUses),
    ("stock", StockEntries),
    ("fittings", Fittings),
    ("flow-checks", FlowChecks),
    ("jobs", Jobs),
    ("job-events", JobEvents),
    ("job-files", JobFiles),
    ("scales", Scales),
    ("scale-values", ScaleValues),
    ("scale-prints", ScalePrints),
    ("scans", Scans),
    ("weighings", Weighings),
    ("printer-events", PrinterEvents),
    ("service-kinds", ServiceKinds),
    ("services", Services),
    ("troubles", Troubles),
    ("reminders", Reminders),
    ("audit", AuditEntries),
    ("webhooks", Webhooks),
]:
    router.register(prefix, endpoint, basename=endpoint.__name__.lower())

files = [
    entry
    for kind in KINDS
    for entry in (
        path(f"files/{kind}.csv", Files.as_view({"get": "send_csv"}, kind=kind), name=f"files{kind}-csv"),
        path(f"files/{kind}.json", Files.as_view({"get": "send_json"}, kind=kind), name=f"files{kind}-json"),
        re_path(f"^files/{kind}/?$", Files.as_view({"post": "load"}, kind=kind), name=f"files{kind}-load"),
    )
]
v1 = [
    *router.urls,
    *files,
    re_path(
        "^readiness/?$", Readiness.as_view({"get": "retrieve_pair", "post": "judge_pairs"}), name="readiness"
    ),
    re_path("^may-start/?$", MayStart.as_view({"get": "ask", "post": "ask_in_body"}), name="maystart"),
    re_path("^today/?$", Now.as_view({"get": "show"}), name="today"),
    re_path("^events/?$", Events.as_view({"get": "show"}), name="events"),
    re_path("^usage/?$", UsageReport.as_view({"get": "show"}), name="usage"),
    re_path("^token/?$", Tokens.as_view({"post": "create", "delete": "destroy"}), name="token"),
]
urlpatterns = [
    path("v1/", include((v1, "v1"))),
    path("schema/", SchemaView.as_view(), name="api-schema"),
    path(
        "docs/",
        SpectacularSwaggerSplitView.as_view(url_name="api-schema", template_name="api_docs.html"),
        name="api-docs",
    ),
    # Scripts read JSON, also where there is nothing.
    re_path("", NotFoundView.as_view(), name="api-nothing"),
]
