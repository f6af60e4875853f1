//! Which variances a design can tell apart, from the design alone.

use super::error::Identified;
use super::system::System;
use nalgebra::DMatrix;

/// What is left of a term's matrix beside the others', as a share of its square, that counts as nothing.
const NOTHING: f64 = 1e-9;

/// Looks at each term in the order given, beside the residual and the terms before it that can be told.
///
/// # Formula
/// With M = I − X(XᵀX)⁻¹Xᵀ and G_k = Z_kZ_kᵀ (G_0 = I), variances can be told apart when the matrices MG_kM are linearly
/// independent, which their Gram matrix tr(MG_iMG_j) shows.
pub(super) fn of_system(system: &System) -> Vec<Identified> {
    let (term, k, p) = (system.term_of(), system.terms(), system.fixed());
    let mut own = vec![DMatrix::<f64>::zeros(p, p); k];
    let mut gram = DMatrix::<f64>::zeros(k + 1, k + 1);
    for (i, t) in term.iter().enumerate() {
        let b = system.z_fixed.row(i);
        let explained = b.norm_squared();
        own[*t] += b.transpose() * b;
        let c = system.diagonal[i];
        gram[(*t, *t)] += c * c - 2.0 * c * explained;
        gram[(*t, k)] += c - explained;
    }
    for e in &system.entries {
        let (a, b) = (term[e.row], term[e.column]);
        let across = system.z_fixed.row(e.row).dot(&system.z_fixed.row(e.column));
        let part = e.value * e.value - 2.0 * e.value * across;
        gram[(a, b)] += part;
    }
    for a in 0..k {
        for b in a..k {
            let part = (&own[a] * &own[b]).trace();
            // Entries hold each pair of terms once, the earlier term first.
            gram[(a, b)] += part;
            gram[(b, a)] = gram[(a, b)];
        }
        gram[(k, a)] = gram[(a, k)];
    }
    gram[(k, k)] = system.free();
    let kept_before = |kept: &[usize], t: usize| left_over(&gram, kept, t);
    let mut kept = vec![k];
    let mut all = Vec::new();
    for t in 0..k {
        let of_term = system.starts[t]..system.starts[t + 1];
        let whole: f64 = of_term.clone().map(|i| system.diagonal[i].powi(2)).sum();
        let found = if of_term.len() < 2 && gram[(t, t)] <= NOTHING * whole {
            Identified::OneLevel
        } else if gram[(t, t)] <= NOTHING * whole {
            Identified::InFixed
        } else if kept_before(&[k], t) <= NOTHING {
            Identified::IsResidual
        } else if let Some(same) = kept[1..].iter().find(|u| kept_before(&[**u], t) <= NOTHING) {
            Identified::SameAs(*same)
        } else if kept_before(&kept, t) <= NOTHING {
            Identified::InOthers
        } else {
            kept.push(t);
            Identified::Yes
        };
        all.push(found);
    }
    all
}

/// The share of term `t` that a mixture of the others does not explain.
fn left_over(gram: &DMatrix<f64>, others: &[usize], t: usize) -> f64 {
    let scale = |i: usize| gram[(i, i)].sqrt();
    let of = |i: usize, j: usize| gram[(i, j)] / (scale(i) * scale(j));
    let n = others.len();
    let among = DMatrix::from_fn(n, n, |a, b| of(others[a], others[b]));
    let with = nalgebra::DVector::from_fn(n, |a, _| of(others[a], t));
    match among.cholesky() {
        Some(root) => 1.0 - with.dot(&root.solve(&with)),
        None => 0.0,
    }
}
