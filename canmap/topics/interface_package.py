"""Packages of message types that the usual tools of ROS 2 build: their names, and what their files hold."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canmap import __version__
from canmap.base.dataclass import dataclass
from canmap.topics.record_messages import CORE_PACKAGE, record_message
from canmap.vocabulary.record_types import CORE_TYPES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canmap.mapping.model import Spec
    from canmap.topics.definitions import MessageType

_PACKAGE_XML = """\
<?xml version="1.0"?>
<package format="3">
  <name>{name}</name>
  <version>{version}</version>
  <description>Vehicle-state records of canmap as message types.</description>
  <maintainer email="maintainer@example.com">Put your name here</maintainer>
  <license>MIT</license>
  <buildtool_depend>ament_cmake</buildtool_depend>
  <buildtool_depend>rosidl_default_generators</buildtool_depend>
  <depend>std_msgs</depend>
  <exec_depend>rosidl_default_runtime</exec_depend>
  <member_of_group>rosidl_interface_packages</member_of_group>
  <export>
    <build_type>ament_cmake</build_type>
  </export>
</package>
"""
_CMAKE = """\
cmake_minimum_required(VERSION 3.16)
project({name})
find_package(ament_cmake REQUIRED)
find_package(rosidl_default_generators REQUIRED)
find_package(std_msgs REQUIRED)
rosidl_generate_interfaces(${{PROJECT_NAME}}
{messages}
  DEPENDENCIES std_msgs
)
ament_export_dependencies(rosidl_default_runtime)
ament_package()
"""


@dataclass(frozen=True, slots=True)
class InterfacePackage:
    """A package of message types.

    Attributes:
        name: Of the package, and of its folder.
        types: Its message types.
    """

    name: str
    types: tuple[MessageType, ...]

    def files(self) -> Mapping[str, str]:
        """Return what each file holds, by its path within the folder of the package."""
        texts = {f"msg/{kind.name.rpartition('/')[2]}.msg": kind.text for kind in self.types}
        messages = "\n".join(f'  "{path}"' for path in texts)
        return {
            "package.xml": _PACKAGE_XML.format(name=self.name, version=__version__),
            "CMakeLists.txt": _CMAKE.format(name=self.name, messages=messages),
            **texts,
        }


def interface_packages(spec: Spec) -> tuple[InterfacePackage, ...]:
    """Return the packages that the topics of a vehicle need, beside those of ROS 2.

    That of the catalogue always has all of it, so that it is the same for every vehicle; that of the vehicle
    is there only where the spec declares record types and has records of them.
    """
    core = tuple(record_message(kind, spec.vehicle) for kind in CORE_TYPES.values())
    packages = [InterfacePackage(CORE_PACKAGE, core)]
    declared = {
        rule.type.__name__: rule.type for rule in spec.records if rule.type not in CORE_TYPES.values()
    }
    if declared:
        own = tuple(record_message(kind, spec.vehicle) for kind in declared.values())
        packages.append(InterfacePackage(own[0].name.partition("/")[0], own))
    return tuple(packages)
