"""Calibration: the printed mat and the map between photo and millimetres."""
