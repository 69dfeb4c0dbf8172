//! Stage `report`.
