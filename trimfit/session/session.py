"""One open log for one command or one sitting: what is read of it once, and the fit, which is an explicit call.

Verbs that answer call `fit_if_due`, after all that was typed is saved; whatever only logs or checks never does.
What was read is kept until the log's own content changes, by this process or by another (`Journal.version`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING

from trimfit.base.progress import Progress, quiet

if TYPE_CHECKING:
    from fractions import Fraction
    from pathlib import Path
    from sqlite3 import Connection

    from trimfit.base.records import Settings
    from trimfit.log.journal import Journal
    from trimfit.regression.fitted_model import FittedModel
    from trimfit.session.open_log import Bench
    from trimfit.session.policies import Policies


class Session:
    """One open log. Use it as a context manager. Opening it reads nothing of it and fits nothing."""

    def __init__(self, path: Path, *, create: bool = False, progress: Progress = quiet) -> None:
        """Open the log at `path`; with `create`, make one that is not there. progress: hears of long steps.

        Raises what opening a `Journal` does.
        """
        from trimfit.log.journal import Journal

        self._take(Journal(path, create=create), progress)

    @classmethod
    def of(cls, journal: Journal, progress: Progress = quiet) -> Session:
        """A session on a log that is open already."""
        session = cls.__new__(cls)
        session._take(journal, progress)
        return session

    def _take(self, journal: Journal, progress: Progress) -> None:
        self.journal = journal
        self.progress = progress
        self.fits = True
        """Whether `fit_if_due` fits; else the model stays as the log keeps it, for whom somebody else fits."""
        self._model: tuple[tuple[int, int], FittedModel] | None = None
        self._policies: Policies | None = None

    def __enter__(self) -> Session:
        return self

    def __exit__(self, *error: object) -> None:
        self.journal.close()

    @property
    def path(self) -> Path:
        """The log's file."""
        return self.journal.path

    @property
    def settings(self) -> Settings:
        """The shop's settings in force."""
        return self.journal.settings()

    @property
    def scale(self) -> Mapping[str, Fraction]:
        """The nine just ratios under the shop's settings."""
        return self.journal.scale()

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """One read transaction around a whole answer: everything in it is seen at one moment.

        Nothing is written inside. Policies solved meanwhile are kept in the log afterwards.
        """
        with self.journal.reading() as connection:
            yield connection
        if self._policies is not None:
            self._policies.keep()

    # The fit

    @property
    def model(self) -> FittedModel:
        """The fitted model as it was kept, however old; assumptions alone where none is kept. Never fits."""
        from trimfit.session.fit import kept_model, prior

        with self.journal.reading():
            return self._kept() or self._learned(kept_model(self.journal) or prior(self.journal))

    def _kept(self) -> FittedModel | None:
        """The model as it was read before, where the log still keeps the same."""
        from trimfit.session.fit import CARD

        if self._model is None:
            return None
        version, model = self._model
        if version == self.journal.learned_version():
            return model
        return self._learned(model) if self.journal.learned_is_same(CARD) else None

    def fit(self) -> FittedModel:
        """Fit the log now and keep what was learned in it. InputError where it holds no reading."""
        from trimfit.session.fit import fit_and_keep

        return self._learned(fit_and_keep(self.journal, self.progress))

    def fit_if_due(self, *, ready: bool = False) -> FittedModel:
        """The fitted model, fitted anew where that is due, else followed by what was logged since where that is enough;
        assumptions alone where there is nothing to learn from. ready: the policy of each type is solved before a new
        model is kept, so that whoever finds it waits for none."""
        from trimfit.session.fit import up_to_date

        if not self.fits:
            return self.model
        known = self._kept()
        model = up_to_date(self.journal, self.progress, known, self._solve if ready else None)
        return model if model is known else self._learned(model)

    def learn(self) -> tuple[FittedModel, list[dict[str, object]]]:
        """As `fit`, with the held-out rows of `regression.validation.summary`, and the policy of each type solved."""
        from trimfit.session.fit import learn_and_keep

        model, validation = learn_and_keep(self.journal, self.progress, self._solve)
        return self._learned(model), validation

    def _solve(self, model: FittedModel) -> None:
        from trimfit.session.policies import costs_of

        for code in range(model.n_types):
            self.policies.of(costs_of(model, code, self.settings))

    def _learned(self, model: FittedModel) -> FittedModel:
        self._model = self.journal.learned_version(), model
        return model

    @property
    def policies(self) -> Policies:
        """The planner's tables, solved once for each set of costs."""
        if self._policies is None:
            from trimfit.session.policies import Policies

            self._policies = Policies(self.journal, self.progress)
        return self._policies

    def bench(self, at_s: float | None = None, *, solving: bool = True) -> Bench:
        """The log as of a moment (seconds since 1970 UTC; now if not said), under the model as it is. Without `solving`
        an answer that wants a policy which the log does not keep raises TrimfitError."""
        from trimfit.session.open_log import Bench
        from trimfit.session.policies import KeptPolicies

        policies = self.policies if solving else KeptPolicies(self.journal, self.progress)
        return Bench(self.journal, self.model, policies, self.progress, at_s=at_s)
