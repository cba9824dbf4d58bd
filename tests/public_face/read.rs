//! Reads a crate's public face from its sources: modules followed from `lib.rs`, re-exports resolved within the crate.
//!
//! What a macro makes can't be seen; the macro and its uses stand for it, word for word.

use quote::ToTokens;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use syn::{Attribute, Fields, ImplItem, Item, Type, UseTree, Visibility};

/// Entries: path as a user writes it, without the crate's name, and signature.
pub type Face = BTreeSet<(String, String)>;

/// A module's path from the crate's root.
type ModulePath = Vec<String>;

/// A name in a module.
type Name = (ModulePath, String);

#[derive(Default)]
struct Module {
    items: Vec<Item>,
    children: BTreeSet<String>,
    /// Imported names: here, their path, whether everybody may use them.
    imports: Vec<(String, Vec<String>, bool)>,
    /// Modules of which everything is imported.
    globs: Vec<(Vec<String>, bool)>,
}

#[derive(Default)]
struct Crate(BTreeMap<ModulePath, Module>);

/// The public face of the crate with this `lib.rs`.
pub fn face(lib: &Path) -> Face {
    let mut all = Crate::default();
    all.load(lib, lib.parent().unwrap(), Vec::new());
    let mut shown: BTreeMap<Name, Vec<String>> = BTreeMap::new();
    let mut out = Face::new();
    all.show(&Vec::new(), "", &mut shown, &mut out);
    for (name, mut paths) in shown.clone() {
        paths.sort_by_key(|p| (p.len(), p.clone()));
        for item in all.0[&name.0].items.iter().filter(|i| ident(i).as_deref() == Some(&name.1)) {
            out.extend(entries(item, &paths[0]));
        }
    }
    for (path, module) in &all.0 {
        for item in &module.items {
            match item {
                Item::Impl(block) => out.extend(all.implemented(path, block, &shown)),
                Item::Macro(m) if !m.mac.path.is_ident("include") => {
                    let name = m.ident.clone().or_else(|| m.mac.path.get_ident().cloned()).unwrap();
                    let words = match &m.ident {
                        Some(name) => format!("{name} ! {{ {} }}", plain(&m.mac.tokens)),
                        None => format!("{name}!({});", plain(&m.mac.tokens)),
                    };
                    out.insert((join(&path.join("::"), &format!("{name}!")), one_line(&words)));
                }
                _ => {}
            }
        }
    }
    out
}

impl Crate {
    fn load(&mut self, file: &Path, folder: &Path, path: ModulePath) {
        let text = std::fs::read_to_string(file).unwrap();
        let items = syn::parse_file(&text).unwrap_or_else(|e| panic!("{}: {e}", file.display())).items;
        self.take(items, folder, path);
    }

    fn take(&mut self, items: Vec<Item>, folder: &Path, path: ModulePath) {
        let mut module = Module::default();
        for item in items {
            match item {
                _ if attributes(&item).iter().any(is_test) => {}
                Item::Mod(child) => {
                    let name = child.ident.to_string();
                    let inner = folder.join(&name);
                    let below: ModulePath = path.iter().cloned().chain([name.clone()]).collect();
                    match child.content.clone() {
                        Some((_, items)) => self.take(items, &inner, below),
                        None => {
                            let files: [PathBuf; 2] =
                                [folder.join(format!("{name}.rs")), inner.join("mod.rs")];
                            let file = files.iter().find(|f| f.exists()).unwrap();
                            self.load(file, &inner, below);
                        }
                    }
                    module.children.insert(name);
                    module.items.push(Item::Mod(child));
                }
                Item::Use(import) => {
                    let open = matches!(import.vis, Visibility::Public(_));
                    module.import(&import.tree, Vec::new(), open);
                }
                other => module.items.push(other),
            }
        }
        self.0.insert(path, module);
    }

    /// Notes under which paths the items of a module are seen from outside; what is shown and can't be found is an entry of its own.
    fn show(&self, path: &ModulePath, seen: &str, shown: &mut BTreeMap<Name, Vec<String>>, out: &mut Face) {
        let module = &self.0[path];
        for item in module.items.iter().filter(|i| is_public(i)) {
            let Some(name) = ident(item) else { continue };
            let as_seen = join(seen, &name);
            if matches!(item, Item::Mod(_)) {
                let below: ModulePath = path.iter().cloned().chain([name]).collect();
                out.insert((as_seen.clone(), "pub mod".into()));
                self.show(&below, &as_seen, shown, out);
            } else {
                shown.entry((path.clone(), name)).or_default().push(as_seen);
            }
        }
        for (name, target, _) in module.imports.iter().filter(|i| i.2) {
            let as_seen = join(seen, name);
            match self.resolve(path, target, 0) {
                Some(name) => shown.entry(name).or_default().push(as_seen),
                None => drop(out.insert((as_seen, format!("pub use {};", target.join("::"))))),
            }
        }
        for (target, _) in module.globs.iter().filter(|g| g.1) {
            if let Some(target) = self.module(path, target) {
                self.show(&target, seen, shown, out);
            }
        }
    }

    /// Where the item is that a path names in a module.
    fn resolve(&self, from: &ModulePath, path: &[String], depth: usize) -> Option<Name> {
        if depth > 20 {
            return None;
        }
        let (name, before) = path.split_last()?;
        let home = if before.is_empty() { Some(from.clone()) } else { self.module(from, before) };
        let Some(home) = home else {
            // The first name may be an imported module.
            let (first, rest) = path.split_first()?;
            let import = self.0.get(from)?.imports.iter().find(|i| i.0 == *first)?;
            let whole: Vec<String> = import.1.iter().chain(rest).cloned().collect();
            return (whole != path).then(|| self.resolve(from, &whole, depth + 1)).flatten();
        };
        let module = self.0.get(&home)?;
        if module.items.iter().any(|i| ident(i).as_ref() == Some(name) && !matches!(i, Item::Macro(_))) {
            return Some((home, name.clone()));
        }
        if let Some(import) = module.imports.iter().find(|i| i.0 == *name) {
            return self.resolve(&home, &import.1, depth + 1);
        }
        let one = std::slice::from_ref(name);
        module.globs.iter().find_map(|(target, _)| self.resolve(&self.module(&home, target)?, one, depth + 1))
    }

    fn module(&self, from: &ModulePath, path: &[String]) -> Option<ModulePath> {
        let mut at = from.clone();
        for step in path {
            match step.as_str() {
                "crate" => at.clear(),
                "self" => {}
                "super" => drop(at.pop()?),
                name if self.0.get(&at)?.children.contains(name) => at.push(name.to_owned()),
                _ => return None,
            }
        }
        Some(at)
    }

    /// What an `impl` block gives to a type that is seen from outside.
    fn implemented(
        &self,
        path: &ModulePath,
        block: &syn::ItemImpl,
        shown: &BTreeMap<Name, Vec<String>>,
    ) -> Vec<(String, String)> {
        let Type::Path(of) = block.self_ty.as_ref() else { return Vec::new() };
        let segments: Vec<String> = of.path.segments.iter().map(|s| s.ident.to_string()).collect();
        let seen = self.resolve(path, &segments, 0).and_then(|name| shown.get(&name));
        let Some(seen) = seen.and_then(|paths| paths.iter().min_by_key(|p| (p.len(), (*p).clone()))) else {
            return Vec::new();
        };
        if block.trait_.is_some() {
            let mut bare = block.clone();
            (bare.attrs, bare.items) = (Vec::new(), Vec::new());
            let header = pretty(Item::Impl(bare));
            return vec![(seen.clone(), header.trim_end_matches(" {}").to_owned())];
        }
        let mut out = Vec::new();
        for item in &block.items {
            match item {
                ImplItem::Fn(f) if matches!(f.vis, Visibility::Public(_)) => {
                    out.push((join(seen, &f.sig.ident.to_string()), signature(&f.vis, &f.sig)));
                }
                ImplItem::Const(c) if matches!(c.vis, Visibility::Public(_)) => {
                    let words = format!("pub const {}: {};", c.ident, plain(&c.ty));
                    out.push((join(seen, &c.ident.to_string()), words));
                }
                ImplItem::Macro(m) => out.push((seen.clone(), plain(&m.mac))),
                _ => {}
            }
        }
        out
    }
}

impl Module {
    fn import(&mut self, tree: &UseTree, before: Vec<String>, open: bool) {
        let with = |name: &syn::Ident| before.iter().cloned().chain([name.to_string()]).collect::<Vec<_>>();
        // `a::{self}` is `a`.
        let whole = |name: &syn::Ident| if name == "self" { before.clone() } else { with(name) };
        match tree {
            UseTree::Path(p) => self.import(&p.tree, with(&p.ident), open),
            UseTree::Name(n) => {
                let path = whole(&n.ident);
                self.imports.push((path.last().cloned().unwrap_or_default(), path, open));
            }
            UseTree::Rename(r) => self.imports.push((r.rename.to_string(), whole(&r.ident), open)),
            UseTree::Glob(_) => self.globs.push((before, open)),
            UseTree::Group(g) => g.items.iter().for_each(|t| self.import(t, before.clone(), open)),
        }
    }
}

/// The entries of one item, without what is private in it.
fn entries(item: &Item, path: &str) -> Vec<(String, String)> {
    let mut bare = item.clone();
    let mut out: Vec<String> = derives(attributes(item)).iter().map(|d| format!("derive {d}")).collect();
    out.push(match &mut bare {
        Item::Fn(f) => signature(&f.vis, &f.sig),
        Item::Const(c) => format!("pub const {}: {};", c.ident, plain(&c.ty)),
        Item::Static(s) => format!("pub static {}: {};", s.ident, plain(&s.ty)),
        Item::Struct(s) => {
            s.attrs.retain(is_contract);
            let private = keep_public(&mut s.fields);
            let words = pretty(bare);
            if private { hiding(&words) } else { words }
        }
        Item::Enum(e) => {
            e.attrs.retain(is_contract);
            for variant in &mut e.variants {
                variant.attrs.retain(is_contract);
                variant.fields.iter_mut().for_each(|f| f.attrs.clear());
            }
            pretty(bare)
        }
        Item::Trait(t) => {
            t.attrs.retain(is_contract);
            for item in &mut t.items {
                if let syn::TraitItem::Fn(f) = item {
                    f.attrs.clear();
                    f.default = f.default.is_some().then(|| syn::parse_quote!({}));
                }
            }
            pretty(bare)
        }
        Item::Type(t) => {
            t.attrs.clear();
            pretty(bare)
        }
        _ => return Vec::new(),
    });
    out.into_iter().map(|words| (path.to_owned(), words)).collect()
}

/// Leaves the public fields; whether there were others.
fn keep_public(fields: &mut Fields) -> bool {
    let before = fields.len();
    match fields {
        Fields::Named(named) => {
            let kept = named.named.iter().filter(|f| matches!(f.vis, Visibility::Public(_))).cloned();
            named.named = kept.collect();
            named.named.iter_mut().for_each(|f| f.attrs.clear());
            named.named.len() < before
        }
        // A place in a tuple counts even where it is private.
        Fields::Unnamed(unnamed) => {
            for field in &mut unnamed.unnamed {
                field.attrs.clear();
                if !matches!(field.vis, Visibility::Public(_)) {
                    field.ty = syn::parse_quote!(_);
                }
            }
            false
        }
        Fields::Unit => false,
    }
}

fn hiding(words: &str) -> String {
    match words.rsplit_once('}') {
        Some((before, _)) => format!("{} /* private fields */ }}", before.trim_end()),
        None => words.to_owned(),
    }
}

fn signature(vis: &Visibility, sig: &syn::Signature) -> String {
    let f =
        syn::ItemFn { attrs: Vec::new(), vis: vis.clone(), sig: sig.clone(), block: syn::parse_quote!({}) };
    format!("{};", pretty(Item::Fn(f)).trim_end_matches(" {}"))
}

fn pretty(item: Item) -> String {
    one_line(&prettyplease::unparse(&syn::File { shebang: None, attrs: Vec::new(), items: vec![item] }))
}

fn plain(tokens: &impl ToTokens) -> String {
    one_line(&tokens.to_token_stream().to_string())
}

fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn join(before: &str, name: &str) -> String {
    if before.is_empty() { name.to_owned() } else { format!("{before}::{name}") }
}

fn is_public(item: &Item) -> bool {
    let vis = match item {
        Item::Const(i) => &i.vis,
        Item::Enum(i) => &i.vis,
        Item::Fn(i) => &i.vis,
        Item::Mod(i) => &i.vis,
        Item::Static(i) => &i.vis,
        Item::Struct(i) => &i.vis,
        Item::Trait(i) => &i.vis,
        Item::Type(i) => &i.vis,
        _ => return false,
    };
    matches!(vis, Visibility::Public(_))
}

fn ident(item: &Item) -> Option<String> {
    Some(
        match item {
            Item::Const(i) => &i.ident,
            Item::Enum(i) => &i.ident,
            Item::Fn(i) => &i.sig.ident,
            Item::Mod(i) => &i.ident,
            Item::Static(i) => &i.ident,
            Item::Struct(i) => &i.ident,
            Item::Trait(i) => &i.ident,
            Item::Type(i) => &i.ident,
            _ => return None,
        }
        .to_string(),
    )
}

fn attributes(item: &Item) -> &[Attribute] {
    match item {
        Item::Const(i) => &i.attrs,
        Item::Enum(i) => &i.attrs,
        Item::Fn(i) => &i.attrs,
        Item::Impl(i) => &i.attrs,
        Item::Macro(i) => &i.attrs,
        Item::Mod(i) => &i.attrs,
        Item::Static(i) => &i.attrs,
        Item::Struct(i) => &i.attrs,
        Item::Trait(i) => &i.attrs,
        Item::Type(i) => &i.attrs,
        Item::Use(i) => &i.attrs,
        _ => &[],
    }
}

fn is_test(attribute: &Attribute) -> bool {
    attribute.path().is_ident("cfg") && plain(&attribute.meta).contains("(test)")
}

/// Attributes that users of an item depend on.
fn is_contract(attribute: &Attribute) -> bool {
    attribute.path().is_ident("non_exhaustive") || attribute.path().is_ident("repr")
}

fn derives(attributes: &[Attribute]) -> Vec<String> {
    let derive = attributes.iter().filter(|a| a.path().is_ident("derive"));
    let listed = derive.flat_map(|a| {
        let mut names = Vec::new();
        a.parse_nested_meta(|meta| {
            names.push(plain(&meta.path));
            Ok(())
        })
        .unwrap();
        names
    });
    listed.collect()
}
