"""One function a quantity: what it measures, why, how."""
