"""The kinds of files, in the order in which an empty shop reads them."""

from maintenance.files.jobs import Jobs
from maintenance.files.parts import Parts
from spools.files.feedstocks import Feedstocks
from spools.files.kinds import FileKind
from spools.files.places import Places
from spools.files.readings import Readings
from spools.files.spools import Spools

KINDS: dict[str, type[FileKind]] = {
    kind.name: kind for kind in (Places, Feedstocks, Spools, Parts, Readings, Jobs)
}
