"""The commands and the stages behind them, in their order; each reads what the stage before stored."""
