"""The page of the sensors: for which place each speaks, how it is doing, and the broker that they send to."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from pages.places.topic_rules import broker_context


def sensors(request: HttpRequest) -> HttpResponse:
    return render(request, "places/sensors.html", broker_context())
