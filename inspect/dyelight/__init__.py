"""dyelight inspects photos of dye-sublimated photo panels against their artwork."""

__version__ = "0.1.0"
