"""The standard message types of ROS 2 that topics are made of.

Fields and constants: the interface packages of ROS 2 (common_interfaces, rcl_interfaces, geometry2) and
ackermann_msgs, the fields the same from Humble to Kilted; units: REP 103 and the texts of these packages.
Default values (the w of a quaternion is 1) are left out: whoever fills a message gives them.
"""

from __future__ import annotations

import re
from functools import cache
from types import MappingProxyType
from typing import TYPE_CHECKING

from canmap.topics.definitions import message_type

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canmap.topics.definitions import MessageType


@cache
def standard_types() -> Mapping[str, MessageType]:
    """Return the message types by full name ("nav_msgs/msg/Odometry")."""
    parts = re.split(r"^MSG: (.*)\n", _TEXT, flags=re.MULTILINE)[1:]
    pairs = zip(parts[::2], parts[1::2], strict=True)
    return MappingProxyType({name: message_type(name, text) for name, text in pairs})


_TEXT = """\
MSG: builtin_interfaces/msg/Time
int32 sec  # s since 1970; before it negative, counted down
uint32 nanosec  # ns that are added to it
MSG: builtin_interfaces/msg/Duration
int32 sec  # s
uint32 nanosec  # ns that are added to it
MSG: std_msgs/msg/Header
builtin_interfaces/Time stamp  # when it was so
string frame_id  # coordinate frame that it is given in
MSG: std_msgs/msg/Bool
bool data
MSG: geometry_msgs/msg/Vector3
float64 x
float64 y
float64 z
MSG: geometry_msgs/msg/Point
float64 x  # m
float64 y  # m
float64 z  # m
MSG: geometry_msgs/msg/Quaternion
float64 x
float64 y
float64 z
float64 w
MSG: geometry_msgs/msg/Pose
Point position
Quaternion orientation
MSG: geometry_msgs/msg/PoseWithCovariance
Pose pose
float64[36] covariance  # row by row: x, y, z, turns about x, y, z
MSG: geometry_msgs/msg/Twist
Vector3 linear  # m/s
Vector3 angular  # rad/s
MSG: geometry_msgs/msg/TwistWithCovariance
Twist twist
float64[36] covariance  # row by row: x, y, z, turns about x, y, z
MSG: geometry_msgs/msg/TwistWithCovarianceStamped
std_msgs/Header header
TwistWithCovariance twist
MSG: geometry_msgs/msg/Transform
Vector3 translation  # m
Quaternion rotation
MSG: geometry_msgs/msg/TransformStamped
std_msgs/Header header
string child_frame_id  # frame that is placed in that of the header
Transform transform
MSG: nav_msgs/msg/Odometry
std_msgs/Header header
string child_frame_id  # frame of the twist
geometry_msgs/PoseWithCovariance pose  # in the frame of the header
geometry_msgs/TwistWithCovariance twist  # in the frame child_frame_id
MSG: sensor_msgs/msg/JointState
std_msgs/Header header
string[] name  # each list below is as long as this one, or empty
float64[] position  # rad or m
float64[] velocity  # rad/s or m/s
float64[] effort  # N m or N
MSG: sensor_msgs/msg/BatteryState
uint8 POWER_SUPPLY_STATUS_UNKNOWN = 0
uint8 POWER_SUPPLY_STATUS_CHARGING = 1
uint8 POWER_SUPPLY_STATUS_DISCHARGING = 2
uint8 POWER_SUPPLY_STATUS_NOT_CHARGING = 3
uint8 POWER_SUPPLY_STATUS_FULL = 4
uint8 POWER_SUPPLY_HEALTH_UNKNOWN = 0
uint8 POWER_SUPPLY_HEALTH_GOOD = 1
uint8 POWER_SUPPLY_HEALTH_OVERHEAT = 2
uint8 POWER_SUPPLY_HEALTH_DEAD = 3
uint8 POWER_SUPPLY_HEALTH_OVERVOLTAGE = 4
uint8 POWER_SUPPLY_HEALTH_UNSPEC_FAILURE = 5
uint8 POWER_SUPPLY_HEALTH_COLD = 6
uint8 POWER_SUPPLY_HEALTH_WATCHDOG_TIMER_EXPIRE = 7
uint8 POWER_SUPPLY_HEALTH_SAFETY_TIMER_EXPIRE = 8
uint8 POWER_SUPPLY_TECHNOLOGY_UNKNOWN = 0
uint8 POWER_SUPPLY_TECHNOLOGY_NIMH = 1
uint8 POWER_SUPPLY_TECHNOLOGY_LION = 2
uint8 POWER_SUPPLY_TECHNOLOGY_LIPO = 3
uint8 POWER_SUPPLY_TECHNOLOGY_LIFE = 4
uint8 POWER_SUPPLY_TECHNOLOGY_NICD = 5
uint8 POWER_SUPPLY_TECHNOLOGY_LIMN = 6
uint8 POWER_SUPPLY_TECHNOLOGY_TERNARY = 7
uint8 POWER_SUPPLY_TECHNOLOGY_VRLA = 8
std_msgs/Header header
float32 voltage  # V; what is not measured is NaN, here and below
float32 temperature  # degrees Celsius
float32 current  # A, negative while discharging
float32 charge  # Ah
float32 capacity  # Ah
float32 design_capacity  # Ah
float32 percentage  # 0 to 1
uint8 power_supply_status
uint8 power_supply_health
uint8 power_supply_technology
bool present
float32[] cell_voltage  # V
float32[] cell_temperature  # degrees Celsius
string location
string serial_number
MSG: diagnostic_msgs/msg/KeyValue
string key
string value
MSG: diagnostic_msgs/msg/DiagnosticStatus
byte OK = 0
byte WARN = 1
byte ERROR = 2
byte STALE = 3
byte level  # one of these
string name  # what is judged
string message
string hardware_id
KeyValue[] values
MSG: diagnostic_msgs/msg/DiagnosticArray
std_msgs/Header header
DiagnosticStatus[] status
MSG: ackermann_msgs/msg/AckermannDrive
float32 steering_angle  # rad, of a virtual wheel in the middle of the front axle, positive to the left
float32 steering_angle_velocity  # rad/s
float32 speed  # m/s, negative in reverse
float32 acceleration  # m/s^2
float32 jerk  # m/s^3
MSG: ackermann_msgs/msg/AckermannDriveStamped
std_msgs/Header header
AckermannDrive drive
MSG: rosgraph_msgs/msg/Clock
builtin_interfaces/Time clock
MSG: tf2_msgs/msg/TFMessage
geometry_msgs/TransformStamped[] transforms
"""
