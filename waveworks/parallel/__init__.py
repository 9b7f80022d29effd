"""One mapping function over any executor: this process, a pool of processes, a Dask cluster."""

from waveworks.parallel.cluster import cluster
from waveworks.parallel.mapping import map_tasks
from waveworks.parallel.workers import task_seeds, worker_pool

__all__ = ["cluster", "map_tasks", "task_seeds", "worker_pool"]
