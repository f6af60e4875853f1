//! Tests of the whole: outside references, the program, its files and pages.

mod springs;
