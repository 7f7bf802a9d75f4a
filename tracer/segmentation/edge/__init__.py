"""The edge itself, measured in the photo's own pixels.

In: regions and pixels. Out: rings in photo pixels with their standard deviation.
May import: working_picture.
"""
