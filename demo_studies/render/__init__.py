"""Draws the demo studies: a parametric dentition, a virtual camera and a virtual mirror.

Axes everywhere: DICOM patient axes in millimetres, +x to the patient's Left, +y Posterior,
+z towards the Head. Teeth are ISO 3950 numbers written as plain integers (36).
"""
