"""A session of the college's bench, for the view's tests."""

from breathmap.tools.demo.teaching_bench import college_bench, college_description
from breathmap.tools.run.session import Session


def new_session() -> Session:
    """Return a session of the bench that has learned nothing."""
    parameters, controller = college_bench()
    tables = [controller.read_ve(bank) for bank in range(parameters.banks)]
    return Session(college_description(parameters, "wideband"), tables)
