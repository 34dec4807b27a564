"""Topics within a namespace: their full names, which no two may share."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap.base.errors import ArgumentError
from canmap.vocabulary.ros_names import topic_fault

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canmap.topics.topic import Topic


def full_names(topics: Iterable[Topic], namespace: str = "") -> tuple[str, ...]:
    """Return the full name of each topic: "/cart/odom"; one that is absolute stays as it is.

    Args:
        topics: The topics.
        namespace: With or without its leading /; "" or "/" for none.

    Raises:
        ArgumentError: A `UsageError`: it is no namespace, or makes a name that is too long, or that two have.
    """
    space = namespace.removeprefix("/")
    if space and (why := topic_fault(space)):
        raise ArgumentError("namespace", f"{namespace} is not a namespace: it {why}.")
    names: dict[str, str] = {}
    for topic in topics:
        name = (
            topic.name if topic.name.startswith("/") else "/".join(("", *filter(None, [space]), topic.name))
        )
        if why := topic_fault(name):
            raise ArgumentError("namespace", f"The topic {name} {why}; give a shorter namespace.")
        if name in names:
            text = f"Two topics would be called {name}; give another namespace, or rename one in the spec."
            raise ArgumentError("namespace", text)
        names[name] = topic.name
    return tuple(names)
