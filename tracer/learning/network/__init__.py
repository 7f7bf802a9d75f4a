"""The network, what it is to answer, and its shipped file, written and read back.

In: tiles. Out: weights, ONNX.
May import: nothing of this room.
"""
