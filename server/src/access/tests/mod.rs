//! Access over its routes, as people and programs meet it.

mod devices;
mod links;
mod proof;
mod second;
mod sessions;
mod staff;
mod tokens;
