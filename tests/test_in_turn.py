"""Tasks beside: in their order, while the thread that gives them goes on; and none after one that fails."""

from functools import partial
from threading import Event, get_ident

import pytest

from pipeline.machine.in_turn import InTurn


def test_tasks_are_done_in_their_order_beside_and_by_the_end_of_the_block():
    done: list[int] = []
    threads: set[int] = set()

    def task(n: int) -> None:
        done.append(n)
        threads.add(get_ident())

    with InTurn() as beside:
        for n in range(50):
            beside.do(partial(task, n))
    assert done == list(range(50))
    assert len(threads) == 1
    assert get_ident() not in threads


def test_who_gives_a_task_goes_on_but_never_far_ahead():
    may_go, begun = Event(), []

    def held() -> None:
        begun.append("task")
        assert may_go.wait(60)

    with InTurn() as beside:
        beside.do(held)
        beside.do(lambda: begun.append("second"))  # gone on though the first is not done
        assert "second" not in begun
        may_go.set()
        beside.do(lambda: None)
        assert begun[0] == "task"
        beside.wait()
        assert begun == ["task", "second"]


def test_what_a_task_raises_comes_out_where_the_next_is_given_or_at_the_end_and_none_after_it_is_done():
    done: list[str] = []

    def fails() -> None:
        raise ZeroDivisionError

    def give_on() -> None:
        with InTurn() as beside:
            beside.do(fails)
            for n in range(5):
                beside.do(partial(done.append, f"after {n}"))

    def end() -> None:
        with InTurn() as beside:
            beside.do(fails)

    for way in (give_on, end):
        with pytest.raises(ZeroDivisionError):
            way()
    assert done == []


def test_a_block_that_fails_leaves_undone_what_has_not_begun():
    begun, done = Event(), []

    def first() -> None:
        begun.set()
        Event().wait(0.2)
        done.append("first")

    def block() -> None:
        with InTurn() as beside:
            beside.do(first)
            beside.do(partial(done.append, "second"))
            assert begun.wait(60)
            raise KeyError

    with pytest.raises(KeyError):
        block()
    assert done == ["first"]
