"""How many threads a library may use beside those of grindcheck itself."""

from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def small_matrices() -> Iterator[None]:
    """Keep linear algebra to the thread that asks for it.

    Its own threads help with thousands of rows. Here the matrices are small and both faces are worked on at
    once, so that such threads only wait for each other: a pair took a ninth longer with them.
    """
    from threadpoolctl import threadpool_limits

    with threadpool_limits(limits=1, user_api="blas"):
        yield
