"""Minimum cut on the regions: which side of the sharp edges is tool, which is ground.

A region graph has a few thousand nodes where the picture has a million cells, so an exact
maximum flow costs milliseconds. Region 0 (certain ground) is the sink.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import breadth_first_order, maximum_flow

from tracer.segmentation.decide.regions import Partition

__all__ = ["cut_regions"]

SCALE = 1000  # capacities are whole numbers: thousandths of a cell of open border


def cut_regions(parts: Partition, weight: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Regions (count,) that are tool.

    Parameters
    ----------
    weight
        (count,) evidence in cells of open border: positive for tool, negative for ground.

    Notes
    -----
    Minimises the sum of the open borders between tool and ground plus the evidence violated
    (Greig, Porteous & Seheult, "Exact maximum a posteriori estimation for binary images",
    J. R. Stat. Soc. B 51, 1989).
    """
    n = parts.count
    if n < 2:
        return np.zeros(n, np.bool_)
    border = np.minimum(parts.openness * SCALE, 2**29).astype(np.int32) + 1
    node = np.arange(1, n)
    tool = np.clip(weight[1:] * SCALE, 0, 2**29).astype(np.int32)
    ground = np.clip(-weight[1:] * SCALE, 0, 2**29).astype(np.int32)
    source = np.full(n - 1, n)
    rows = np.concatenate([parts.first, parts.second, source, node])
    cols = np.concatenate([parts.second, parts.first, node, np.zeros(n - 1, np.intp)])
    data = np.concatenate([border, border, tool, ground])
    used = data > 0
    graph = sparse.csr_array((data[used], (rows[used], cols[used])), shape=(n + 1, n + 1))
    graph.sum_duplicates()
    graph.data = np.minimum(graph.data, 2**30).astype(np.int32)
    flow = maximum_flow(graph, n, 0).flow
    rest = sparse.csr_array(graph - flow)
    rest.data = (rest.data > 0).astype(np.int32)
    rest.eliminate_zeros()
    reached = breadth_first_order(rest, n, directed=True, return_predecessors=False)
    side = np.zeros(n + 1, np.bool_)
    side[reached] = True
    side[0] = False
    return side[:n]
