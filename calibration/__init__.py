"""Field standards and the camera: from pixels to yards and back. Imports nothing else of ours."""

from calibration.camera import Camera
from calibration.standards import STANDARDS, FieldStandard, get_standard

__all__ = ["Camera", "FieldStandard", "STANDARDS", "get_standard"]
