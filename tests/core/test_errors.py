import pickle

import pytest

from stanch import errors


def _tree(root: type[errors.StanchError]) -> list[type[errors.StanchError]]:
    return [root, *(leaf for child in root.__subclasses__() for leaf in _tree(child))]


def test_exit_codes_are_the_documented_ones() -> None:
    codes = {kind.__name__: kind.exit_code for kind in _tree(errors.StanchError)}
    assert codes == {
        "StanchError": 1,
        "StiffError": 1,
        "UsageError": 2,
        "OutputExistsError": 2,
        "InputError": 3,
        "DocumentError": 3,
        "RecordingError": 3,
        "UnitError": 3,
        "IntegrityError": 4,
        "NothingReadableError": 5,
    }


def test_a_message_is_one_line_with_all_four_parts() -> None:
    error = errors.InputError("well_radius", got="3 furlong\nlong", allowed="a length", do="Correct it.")
    assert str(error) == "well_radius; got '3 furlong\\nlong'; allowed: a length. Correct it."


def test_a_question_or_a_full_stop_needs_no_full_stop() -> None:
    assert str(errors.InputError("hold: got 8. Add the unit.", do="Correct it.")).endswith("Add the unit. Correct it.")
    assert str(errors.InputError("fibrin", allowed="heparin; did you mean heparin?", do="Correct it.")).endswith(
        "did you mean heparin? Correct it."
    )


def test_long_values_are_shortened() -> None:
    assert len(str(errors.InputError("x", got="y" * 500))) < 120


@pytest.mark.parametrize("kind", _tree(errors.StanchError))
def test_errors_survive_a_process_boundary(kind: type[errors.StanchError]) -> None:
    error = kind("assay.toml", got=3, allowed="text", do="Quote it.")
    again = pickle.loads(pickle.dumps(error))
    assert type(again) is kind
    assert str(again) == str(error)


def test_a_document_error_lists_every_problem() -> None:
    error = errors.DocumentError("assay.toml", problems=["hold: missing", "limit[0].low: no unit"], do="Correct both.")
    assert str(error) == "assay.toml: hold: missing; limit[0].low: no unit. Correct both."
    assert pickle.loads(pickle.dumps(error)).problems == error.problems
