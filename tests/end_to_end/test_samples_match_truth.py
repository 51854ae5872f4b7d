"""The samples are the truth's own work: regenerated here, byte for byte."""

from __future__ import annotations

import pytest

from tests.truth.sites import all_sites
from tests.truth.write_samples import sample_texts

SITES = {site.name: site for site in all_sites()}


def test_the_samples_are_the_eleven_sites(samples_folder):
    assert sorted(place.name for place in samples_folder.iterdir() if place.is_dir()) == sorted(SITES)


@pytest.mark.parametrize("name", sorted(SITES))
def test_a_sample_is_what_the_truth_writes(name, samples_folder):
    written = {place.name: place.read_bytes() for place in (samples_folder / name).iterdir()}
    assert written == {file: text.encode("utf-8") for file, text in sample_texts(SITES[name]).items()}


@pytest.mark.parametrize("name", sorted(SITES))
def test_a_sample_says_what_is_odd_about_it(name, samples_folder):
    first = (samples_folder / name / "job.toml").read_text(encoding="utf-8").splitlines()[0]
    assert first.startswith("# Odd about this site: ")
