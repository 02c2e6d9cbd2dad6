"""Metrics read back by a reference parser; the API's description against its own specification."""

import pytest
import web_sample
from openapi_spec_validator import OpenAPIV31SpecValidator
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from farmwatch.web.metrics import families, openmetrics
from farmwatch.web.openapi import Param, Route, describe, schema_of
from farmwatch.words.view import View


def samples(view):
    # prometheus_client's parser of OpenMetrics 1.0 is strict: order, names, units, escapes, the end
    return {
        (sample.name, *sorted(sample.labels.items())): sample.value
        for family in text_string_to_metric_families(openmetrics(view))
        for sample in family.samples
    }


@pytest.mark.parametrize("name", ["usual", "calm", "outage"])
def test_a_reference_parser_reads_it(name):
    view = getattr(web_sample, name)()
    found = samples(view)
    for machine in view["machines"]:
        key = ("farmwatch_machine_power_watts", ("machine", machine["name"]))
        assert found.get(key) == machine["power_w"]
        states = {
            dict(key[1:])["farmwatch_machine_state"]: value
            for key, value in found.items()
            if key[0] == "farmwatch_machine_state" and ("machine", machine["name"]) in key
        }
        assert [state for state, value in states.items() if value == 1] == [machine["state"]]


def test_what_is_unknown_has_no_sample():
    view = web_sample.usual()
    view["machines"][0]["power_w"] = None
    view["machines"][1]["power_w"] = 0.0
    found = samples(view)
    assert ("farmwatch_machine_power_watts", ("machine", view["machines"][0]["name"])) not in found
    assert found["farmwatch_machine_power_watts", ("machine", view["machines"][1]["name"])] == 0.0


def test_names_are_escaped_and_jobs_are_no_labels():
    view = web_sample.usual()
    name = 'a "b"\\c\nd'
    view["machines"][0] |= {"name": name, "job": "secret job name"}
    found = samples(view)
    assert ("farmwatch_machine_power_watts", ("machine", name)) in found
    assert "secret job name" not in openmetrics(view)


def test_label_sets_do_not_grow_with_what_devices_say():
    view = web_sample.usual()
    before = sum(len(list(family.samples)) for family in families(view))
    for machine in view["machines"]:
        machine["job"], machine["because"] = f"job of {machine['name']}", "new words"
    assert sum(len(list(family.samples)) for family in families(view)) == before


def test_the_view_has_a_schema():
    components = {}
    assert schema_of(View, components) == {"$ref": "#/components/schemas/View"}
    assert components["Machine"]["properties"]["power_w"] == {"type": ["number", "null"]}
    assert components["Machine"]["properties"]["finish"] == {
        "anyOf": [{"$ref": "#/components/schemas/Finish"}, {"type": "null"}]
    }
    assert "start_from_s" not in components["Machine"]["required"]
    assert components["Incident"]["properties"]["class"] == {"type": ["string", "null"]}
    with pytest.raises(TypeError, match="has no JSON form"):
        schema_of(set[str], {})


def test_the_description_is_valid():
    routes = [
        Route("GET", "/api/v1/view", "view", "Everything.", View, statuses=(304,)),
        Route(
            "GET", "/api/v1/machines/{name}", "machine", "One.", View, [Param("name", "Which.", where="path")],
            errors=(404,),
        ),
        Route("POST", "/api/v1/say", "say", "Say.", dict[str, str], body={"type": "object"}),
        Route("GET", "/metrics", "metrics", "Metrics.", media="application/openmetrics-text"),
    ]  # fmt: skip
    document = describe(routes, "1")
    OpenAPIV31SpecValidator(document).validate()
    assert set(document["paths"]["/api/v1/say"]["post"]["responses"]) >= {"200", "401", "403", "409"}
    assert "304" in document["paths"]["/api/v1/view"]["get"]["responses"]
