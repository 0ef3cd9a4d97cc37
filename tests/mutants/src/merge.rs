//! Writes all mutants of a file into it, each behind a switch: one build holds them all.
//!
//! Which mutants there are, and what they are called, is cargo-mutants' list; this only finds their places in the syntax tree. A place
//! that the switch cannot stand in (a constant, a condition with `let`, an opaque return type) is left as it was, and said.

use std::collections::BTreeMap;
use std::ops::Range;

use proc_macro2::{LineColumn, Span};
use serde_json::Value;
use syn::spanned::Spanned;
use syn::visit::{self, Visit};

/// One line of cargo-mutants' list. Its number is its place in the list, from 1.
#[derive(Clone, Debug)]
pub struct Mutant {
    pub id: u32,
    pub file: String,
    pub name: String,
    genre: String,
    replacement: String,
    at: (usize, usize),
}

impl Mutant {
    /// Reads one entry of `cargo mutants --list --json`.
    pub fn read(id: u32, entry: &Value) -> Option<Self> {
        let start = &entry["span"]["start"];
        Some(Self {
            id,
            file: entry["file"].as_str()?.to_owned(),
            name: entry["name"].as_str()?.to_owned(),
            genre: entry["genre"].as_str()?.to_owned(),
            replacement: entry["replacement"].as_str()?.to_owned(),
            at: (start["line"].as_u64()? as usize, start["column"].as_u64()? as usize),
        })
    }
}

/// A change of the text: an expression with its alternatives, or words put in at one place.
enum Edit {
    Choice { alternatives: Vec<(u32, String)> },
    Insert(String),
}

struct Finder<'a> {
    text: &'a str,
    wanted: BTreeMap<(usize, usize), Vec<&'a Mutant>>,
    edits: Vec<(Range<usize>, Edit)>,
    merged: Vec<u32>,
}

/// The file with its mutants behind switches, and which of them found their place.
pub fn merge(text: &str, mutants: &[&Mutant]) -> Result<(String, Vec<u32>), syn::Error> {
    let tree = syn::parse_file(text)?;
    let mut wanted: BTreeMap<(usize, usize), Vec<&Mutant>> = BTreeMap::new();
    for mutant in mutants {
        wanted.entry(mutant.at).or_default().push(mutant);
    }
    let mut finder = Finder { text, wanted, edits: Vec::new(), merged: Vec::new() };
    finder.visit_file(&tree);
    let Finder { mut edits, merged, .. } = finder;
    edits.sort_by_key(|(range, _)| (range.start, std::cmp::Reverse(range.end)));
    Ok((render(text, 0..text.len(), &edits), merged))
}

/// The text of a range with the edits inside of it carried out.
fn render(text: &str, range: Range<usize>, edits: &[(Range<usize>, Edit)]) -> String {
    let mut out = String::new();
    let mut done = range.start;
    let mut i = 0;
    while let Some((at, edit)) = edits.get(i) {
        out.push_str(&text[done..at.start]);
        done = at.end;
        i += 1;
        match edit {
            Edit::Insert(words) => out.push_str(words),
            Edit::Choice { alternatives } => {
                let inner = edits[i..]
                    .iter()
                    .take_while(|(r, _)| r.start < at.end && (r.end < at.end || (r.end == at.end && !r.is_empty())))
                    .count();
                let site = alternatives[0].0;
                out.push_str(&format!("(/*G{site}*/match crate::mutant::at({site}) {{\n"));
                for (id, other) in alternatives {
                    out.push_str(&format!("/*M{id}*/{id} => {{ {other} }}/*E{id}*/\n"));
                }
                out.push_str(&format!("_ => {{ {} }} }}/*H{site}*/)", render(text, at.clone(), &edits[i..i + inner])));
                i += inner;
            }
        }
    }
    out.push_str(&text[done..range.end]);
    out
}

fn key(at: LineColumn) -> (usize, usize) {
    (at.line, at.column + 1)
}

impl<'a> Finder<'a> {
    fn take(&mut self, span: Span, genre: &str) -> Vec<&'a Mutant> {
        let all = self.wanted.get(&key(span.start())).cloned().unwrap_or_default();
        all.into_iter().filter(|m| m.genre == genre && !self.merged.contains(&m.id)).collect()
    }

    fn source(&self, span: Span) -> &'a str {
        &self.text[span.byte_range()]
    }

    fn choose(&mut self, span: Span, alternatives: Vec<(u32, String)>) {
        if alternatives.is_empty() {
            return;
        }
        self.merged.extend(alternatives.iter().map(|(id, _)| *id));
        self.edits.push((span.byte_range(), Edit::Choice { alternatives }));
    }

    fn insert(&mut self, at: usize, words: String) {
        self.edits.push((at..at, Edit::Insert(words)));
    }

    /// A function's body returns at once what the mutant says.
    fn function(&mut self, signature: &syn::Signature, block: &syn::Block) {
        let Some(first) = block.stmts.first() else { return };
        let opaque = matches!(&signature.output, syn::ReturnType::Type(_, t) if matches!(**t, syn::Type::ImplTrait(_)));
        let mutants = self.take(first.span(), "FnValue");
        if opaque || signature.constness.is_some() || mutants.is_empty() {
            return;
        }
        let site = mutants[0].id;
        let mut words = format!("/*G{site}*/match crate::mutant::at({site}) {{\n");
        for m in &mutants {
            words.push_str(&format!("/*M{0}*/{0} => return {1},/*E{0}*/\n", m.id, m.replacement));
        }
        words.push_str(&format!("_ => {{}} }}/*H{site}*/\n"));
        self.merged.extend(mutants.iter().map(|m| m.id));
        self.insert(block.brace_token.span.open().byte_range().end, words);
    }
}

/// Whether a condition binds names, which would not reach out of a choice.
fn binds(expr: &syn::Expr) -> bool {
    match expr {
        syn::Expr::Let(_) => true,
        syn::Expr::Binary(b) => binds(&b.left) || binds(&b.right),
        _ => false,
    }
}

impl<'ast> Visit<'ast> for Finder<'_> {
    fn visit_item_fn(&mut self, f: &'ast syn::ItemFn) {
        self.function(&f.sig, &f.block);
        if f.sig.constness.is_none() {
            visit::visit_block(self, &f.block);
        }
    }

    fn visit_impl_item_fn(&mut self, f: &'ast syn::ImplItemFn) {
        self.function(&f.sig, &f.block);
        if f.sig.constness.is_none() {
            visit::visit_block(self, &f.block);
        }
    }

    fn visit_trait_item_fn(&mut self, f: &'ast syn::TraitItemFn) {
        if let Some(block) = &f.default {
            self.function(&f.sig, block);
            visit::visit_block(self, block);
        }
    }

    // What is worked out by the compiler cannot ask a switch.
    fn visit_item_const(&mut self, _: &'ast syn::ItemConst) {}
    fn visit_item_static(&mut self, _: &'ast syn::ItemStatic) {}
    fn visit_impl_item_const(&mut self, _: &'ast syn::ImplItemConst) {}
    fn visit_type(&mut self, _: &'ast syn::Type) {}
    fn visit_pat(&mut self, _: &'ast syn::Pat) {}
    fn visit_generic_argument(&mut self, _: &'ast syn::GenericArgument) {}
    fn visit_expr_repeat(&mut self, e: &'ast syn::ExprRepeat) {
        self.visit_expr(&e.expr);
    }

    fn visit_expr_binary(&mut self, e: &'ast syn::ExprBinary) {
        if !binds(&e.left) && !binds(&e.right) {
            let (left, right) = (self.source(e.left.span()), self.source(e.right.span()));
            let mutants = self.take(e.op.span(), "BinaryOperator");
            self.choose(e.span(), mutants.iter().map(|m| (m.id, format!("({left}) {} ({right})", m.replacement))).collect());
        }
        visit::visit_expr_binary(self, e);
    }

    fn visit_expr_unary(&mut self, e: &'ast syn::ExprUnary) {
        let bare = self.source(e.expr.span());
        let mutants = self.take(e.op.span(), "UnaryOperator");
        self.choose(e.span(), mutants.iter().map(|m| (m.id, bare.to_owned())).collect());
        visit::visit_expr_unary(self, e);
    }

    fn visit_expr_struct(&mut self, e: &'ast syn::ExprStruct) {
        let whole = e.span().byte_range();
        let mut alternatives = Vec::new();
        for pair in e.fields.pairs() {
            let field = pair.value().span().byte_range();
            for m in self.take(pair.value().span(), "StructField") {
                let end = pair.punct().map_or(field.end, |p| p.span().byte_range().end);
                alternatives.push((m.id, format!("{}{}", &self.text[whole.start..field.start], &self.text[end..whole.end])));
            }
        }
        self.choose(e.span(), alternatives);
        visit::visit_expr_struct(self, e);
    }

    fn visit_arm(&mut self, arm: &'ast syn::Arm) {
        let gone = self.take(arm.span(), "MatchArm").first().map(|m| m.id);
        if let Some(id) = gone {
            self.merged.push(id);
            let not = format!("/*G{id}*//*M{id}*/crate::mutant::at({id}) != {id}/*E{id}*//*H{id}*/");
            match &arm.guard {
                Some((word, guard)) => {
                    self.insert(word.span.byte_range().end, format!(" {not} && ("));
                    self.insert(guard.span().byte_range().end, ")".to_owned());
                }
                None => self.insert(arm.pat.span().byte_range().end, format!(" if {not}")),
            }
        }
        if let Some((_, guard)) = &arm.guard {
            let mutants = self.take(guard.span(), "MatchArmGuard");
            self.choose(guard.span(), mutants.iter().map(|m| (m.id, m.replacement.clone())).collect());
            self.visit_expr(guard);
        }
        self.visit_expr(&arm.body);
    }
}
