"""The fabrication stage."""
