//! Green coffee as it comes, moves, is counted and goes: the commands, the book and its statements, without the web.

mod commands;
mod support;
