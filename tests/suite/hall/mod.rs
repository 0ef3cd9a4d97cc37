//! The hall against a real PostgreSQL: whole journeys, faults, blindness, abuse, audiences.

mod abuse;
mod asker;
mod at_once;
mod audiences;
mod blind;
mod cluster;
mod faults;
mod journey;
mod load;
mod visitors;
