"""`canmap topics`: which topics a vehicle has, and the packages of their message types."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from canmap.base.words import first_of, listed, seconds, times
from canmap.cli.options import OVERWRITE
from canmap.cli.printing import print_line
from canmap.cli.topic_options import checked_names

if TYPE_CHECKING:
    from canmap.mapping.model import Spec
    from canmap.topics.topic import Topic
    from canmap.topics.topic_table import TopicPlan

EPILOG = """\
\b
Examples:
  canmap topics cart.yaml
  canmap topics cart.yaml --namespace cart --json - | jq .topics
  canmap topics cart.yaml --into workspace/src

Nothing is published. The section topics of the spec renames topics, leaves them out, and says how they are
offered. --into writes the message types that are not part of ROS 2 as packages, each a folder of its own.
"""
_OWN_JSON = '{\n "schema": "canmap/topics/'  # what topics as JSON begin with
_MOST_RECORDS = 2  # that the screen names


@click.command(
    "topics", epilog=EPILOG, short_help="List the ROS 2 topics of a vehicle; write their message types."
)
@click.argument("spec_path", metavar="SPEC")
@click.option("--namespace", metavar="NAME", default="", help="Show the names of the topics below NAME.")
@click.option("--clock", is_flag=True, help="Show /clock too, as replay --topics --clock sends it.")
@click.option("--json", "json_path", metavar="FILE", help="Write the topics as JSON; - is standard output.")
@click.option("--into", metavar="FOLDER", help="Write packages of message types into this folder.")
@OVERWRITE
def topics_command(
    spec_path: str, namespace: str, clock: bool, json_path: str | None, into: str | None, overwrite: bool
) -> int:
    """List the ROS 2 topics that a vehicle has by its mapping spec SPEC, and what is left out."""
    from canmap.mapping.loader import load_spec
    from canmap.topics.topic_table import planned_topics

    spec = load_spec(spec_path)
    plan = planned_topics(spec, clock=clock)
    names = checked_names(plan.topics, namespace)
    written = "" if into is None else _write_packages(into, spec, overwrite=overwrite)
    if json_path is not None:
        _write_json(json_path, spec, plan, namespace, overwrite)
    if json_path != "-":
        _show(spec, plan, names if namespace else tuple(topic.name for topic in plan.topics))
    if written:
        print_line(written, to_stderr=json_path == "-")
    return 0


def _write_json(path: str, spec: Spec, plan: TopicPlan, namespace: str, overwrite: bool) -> None:
    import json

    from canmap.outputs.files import whole_text_file
    from canmap.outputs.guard import guard_output
    from canmap.topics.plan_json import plan_json

    guard_output(path, spec.files, overwrite=overwrite, own=_OWN_JSON)
    with whole_text_file(path) as file:
        json.dump(plan_json(spec.vehicle, plan, namespace), file, indent=1, allow_nan=False)
        file.write("\n")


def _write_packages(folder: str, spec: Spec, *, overwrite: bool) -> str:
    """Write the packages, and return how they are built."""
    from canmap.outputs.packages import write_packages
    from canmap.topics.interface_package import interface_packages

    packages = interface_packages(spec)
    places = write_packages(folder, packages, spec.files, overwrite=overwrite)
    names = " ".join(package.name for package in packages)
    return (
        f"Written: {listed(places, 'and')}. In the workspace around it, build with "
        f"`colcon build --packages-select {names}`, then source install/setup.bash there in every shell "
        "that uses the message types."
    )


def _show(spec: Spec, plan: TopicPlan, names: tuple[str, ...]) -> None:
    from rich.text import Text

    from canmap.base.errors import printable
    from canmap.cli.render import console
    from canmap.cli.tables import fits, print_blocks, print_rows
    from canmap.topics.topic import Qos

    out = console()
    out.print(Text(printable(f"{spec.vehicle}: {times(len(plan.topics), 'topic')}"), style="bold"))
    usual = f"If not stated: reliable, volatile, keep last {Qos().depth}; frame {spec.topics.base_frame}"
    out.print(Text(printable(usual), style="dim"), soft_wrap=True)
    rows = [_row(name, topic, spec.topics.base_frame) for name, topic in zip(names, plan.topics, strict=True)]
    titles = [title for title in rows[0] if any(row[title] for row in rows)]
    lines = [titles, *([row[title] for title in titles] for row in rows)]
    if fits(out, lines):
        print_rows(out, lines, titles)
    else:
        print_blocks(out, rows)
    if plan.left_out:
        out.print(Text("Left out", style="bold"))
    for one in plan.left_out:
        of = f" of {one.record}" if one.record and one.record != one.name else ""
        out.print(Text(printable(f"  {one.name}{of}: {one.reason}.")), soft_wrap=True)


def _row(name: str, topic: Topic, usual_frame: str) -> dict[str, str]:
    """Return the cells of a topic by their titles, empty where there is nothing to say."""
    from canmap.topics.topic import Qos

    usual = Qos()
    said = (
        "" if topic.qos.reliable else "best effort",
        "transient local" if topic.qos.transient_local else "",
        "" if topic.qos.depth == usual.depth else f"keep last {topic.qos.depth}",
    )
    frames = [frame for frame in (topic.frame_id, topic.child_frame_id) if frame]
    return {
        "topic": name,
        "type": topic.type.name,
        "record": first_of(topic.records, _MOST_RECORDS) if topic.records else "",
        "QoS": ", ".join(filter(None, said)),
        "deadline": "" if topic.qos.deadline_ns is None else seconds(topic.qos.deadline_ns),
        "frame": "" if frames == [usual_frame] else " to ".join(frames),
        "latency": seconds(topic.latency_ns) if topic.latency_ns else "",
    }
