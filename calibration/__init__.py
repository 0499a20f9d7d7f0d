"""Field standards and the camera: from pixels to yards and back. Imports nothing else of ours."""

from calibration.camera import Camera
from calibration.clip import ClipCameras, load_cameras, save_cameras
from calibration.standards import STANDARDS, FieldStandard, get_standard

__all__ = [
    "STANDARDS",
    "Camera",
    "ClipCameras",
    "FieldStandard",
    "get_standard",
    "load_cameras",
    "save_cameras",
]
