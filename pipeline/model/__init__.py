"""Frozen records in the trade's words.  Metres and radians; east is x, north is y, up is z."""
