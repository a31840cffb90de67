import pkgutil
import subprocess
import sys

import benchrig.measurement as room


def test_every_exported_name_exists_and_every_public_name_is_exported():
    modules = {module.name for module in pkgutil.iter_modules(room.__path__)}
    # "@": what pytest puts into a module whose assertions it explains.
    public = {name for name in vars(room) if not name.startswith(("_", "@"))} - modules
    assert public == set(room.__all__)
    assert list(room.__all__) == sorted(room.__all__)


def test_importing_loads_neither_scipy_nor_pydantic():
    code = "import sys, benchrig.measurement; print({'scipy', 'pydantic'} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "set()"


def test_settling_never_loads_scipy_stats():
    code = (
        "import sys, numpy as np; from benchrig.measurement import settle, Priors;"
        "print(settle(np.arange(1, 400) * .05, np.ones(399), Priors()).expanded_uncertainty_A,"
        "'scipy.stats' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    uncertainty, loaded = done.stdout.split()
    assert (float(uncertainty) > 0.0, loaded) == (True, "False")
