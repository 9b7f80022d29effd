"""waveworks: re-analyse exported averaged evoked-potential waveforms, and prove each number."""
