"""Planted faults against diagnosis: how often it is right, and drills for a trainee."""

from bustrace.campaign.boards import BoardFiles, board_files, made_up_board, made_up_io_board
from bustrace.campaign.cases import Case, Conditions, Plan, draw_case, make_case
from bustrace.campaign.playing import Result, play, play_case
from bustrace.campaign.running import cluster, run_campaign

__all__ = [
    "BoardFiles",
    "Case",
    "Conditions",
    "Plan",
    "Result",
    "board_files",
    "cluster",
    "draw_case",
    "made_up_board",
    "made_up_io_board",
    "make_case",
    "play",
    "play_case",
    "run_campaign",
]
