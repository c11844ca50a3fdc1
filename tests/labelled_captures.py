"""Names of the sample-level captures whose truth lies beside them."""

LABELLED = (
    "healthy",
    "healthy_16_lines",
    "rom_never_drives",
    "d3_stuck_low_at_cpu",
    "a9_stuck_high",
    "d1_d4_short",
    "a6_stuck_low_behind_cpu",
    "reset_held_low",
    "irq_held_low",
    "clock_stops",
    "ram_answers_with_rom",
)
