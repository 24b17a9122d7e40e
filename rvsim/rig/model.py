"""A rig: what one vehicle's network is planned to be.

Knows: the devices with their functions, instances and addresses, the vehicle's figures, and which plans contradict
themselves. Does not know files (`load` does), message layouts, nor which kinds of simulated device there are: those
come in from above as the validation context ``kinds``, the settings model of each kind by its name.

Every mistake is reported at once: what one device gets wrong, and what two devices cannot both have.
"""

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, ValidationInfo
from pydantic import ValidatorFunctionWrapHandler as Handler
from pydantic import field_validator
from pydantic_core import InitErrorDetails, PydanticCustomError

from rvsim.errors import did_you_mean
from rvsim.rig.functions import FUNCTIONS, HIGHEST_INSTANCE
from rvsim.rig.vehicle import BatteryPlan, CabinPlan, CoolantPlan, HotWaterPlan, VehiclePlan
