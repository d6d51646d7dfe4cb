"""Set time, pH while setting, failed pots, and the advice on warmth and starter."""

from analysis.setting.setting import SettingFit, fit_setting

__all__ = ["SettingFit", "fit_setting"]
