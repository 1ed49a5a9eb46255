from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from api.fields import parse
from api.serializers import machines as serializers
from api.views.base import Endpoint, respond
from maintenance.board.shop import small_job_verdicts
from maintenance.jobs.materials import describe_material
from maintenance.models import Toolhead
from maintenance.readiness.builder import verdicts
from maintenance.readiness.inputs import JobSpec
from spools.models import Spool


def job_spec(job: dict[str, Any] | None) -> JobSpec | None:
    if job is None:
        return None
    numbers = dict(job)
    material = numbers.pop("feedstock", None) or numbers.pop("polymer", None)
    return JobSpec(**numbers, intended=describe_material(material) if material else None)


def judge_pairs(
    pairs: list[tuple[Toolhead, Spool]],
    job: JobSpec | None = None,
    fed: dict[tuple[int, int], int] | None = None,
) -> list[dict[str, Any]]:
    """The verdict of each pair, in their order, as PairVerdictSerializer renders it; from the board without a job.

    fed: the ids of the places from which spools would be fed, by (toolhead id, spool id).
    """
    verdicts_by_pair = small_job_verdicts(pairs, fed) if job is None else verdicts(pairs, job, fed)
    return [
        {"toolhead": toolhead.pk, "spool": spool.code, "state": verdict.state, "checks": verdict.checks}
        for toolhead, spool in pairs
        for verdict in [verdicts_by_pair[toolhead.pk, spool.pk]]
    ]


class Readiness(Endpoint):
    """The verdict whether a spool may be printed on a toolhead now, for a job, with reasons and remedies."""

    idempotent = False
    pagination_class = None
    filter_backends: list = []
    serializer_class = serializers.PairVerdictSerializer

    @extend_schema(
        parameters=[serializers.PairQuerySerializer],
        responses=serializers.PairVerdictSerializer,
        description="One pair. Give all four numbers of the job, or none for a small job.",
    )
    def retrieve_pair(self, request: Request) -> Response:
        data = parse(serializers.PairQuerySerializer, request.query_params)
        pair, fed = _take_pair(data)
        return respond(serializers.PairVerdictSerializer, judge_pairs([pair], job_spec(data or None), fed)[0])

    @extend_schema(
        request=serializers.PairsRequestSerializer,
        responses=serializers.PairVerdictSerializer(many=True),
        description="Several pairs for one job. Nothing is stored.",
    )
    def judge_pairs(self, request: Request) -> Response:
        data = parse(serializers.PairsRequestSerializer, request.data)
        taken = [_take_pair(pair) for pair in data["pairs"]]
        fed = {key: place for _, by_pair in taken for key, place in by_pair.items()}
        judged = judge_pairs([pair for pair, _ in taken], job_spec(data.get("job")), fed)
        return respond(serializers.PairVerdictSerializer, judged, many=True)


def _take_pair(data: dict[str, Any]) -> tuple[tuple[Toolhead, Spool], dict[tuple[int, int], int]]:
    """A pair, taken out of parsed data, and the place from which it would be fed."""
    toolhead, spool, place = data.pop("toolhead"), data.pop("spool"), data.pop("fed_from", None)
    return (toolhead, spool), {} if place is None else {(toolhead.pk, spool.pk): place.pk}
