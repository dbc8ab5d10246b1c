//! Checks of the instrument against the world outside.
