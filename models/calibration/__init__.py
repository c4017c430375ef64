"""Calibration: does the model find known truths, and do its intervals hold what they say?"""
