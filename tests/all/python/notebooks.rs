//! The notebooks run from the first cell to the last, in kernels of their own.

use super::{ROOT, has_modules, python, run, skipped, wheel};
use std::path::Path;

const SCRIPT: &str = r"
import sys
import nbclient, nbformat
notebook = nbformat.read(sys.argv[1], as_version=4)
nbformat.validate(notebook)
for cell in notebook.cells:
    assert not cell.get('outputs'), 'a notebook is kept without what it printed'
client = nbclient.NotebookClient(notebook, timeout=300, kernel_name='python3', resources={'metadata': {'path': sys.argv[2]}})
client.execute()
kinds, words = set(), []
for cell in notebook.cells:
    for output in cell.get('outputs', []):
        assert output.get('name') != 'stderr', output['text']
        kinds.update(output.get('data', {}))
        words.append(output.get('text', '') + str(output.get('data', {}).get('text/plain', '')))
print(len(notebook.cells), 'cells;', ' '.join(sorted(kinds)))
print('\n'.join(words))
";

fn executed(name: &str) -> Option<String> {
    let wheel = wheel()?;
    if !has_modules("nbclient, nbformat, ipykernel, polars") {
        skipped("nbclient or ipykernel is not installed");
        return None;
    }
    let dir = tempfile::tempdir().unwrap();
    let notebook = Path::new(ROOT).join("python/notebooks").join(name);
    // Kernels keep their files here and not in the home of whoever runs the tests.
    let mut command = python(wheel);
    command
        .args(["-c", SCRIPT])
        .arg(notebook)
        .arg(dir.path())
        .env("IPYTHONDIR", dir.path().join("ipython"))
        .env("JUPYTER_RUNTIME_DIR", dir.path().join("runtime"))
        .env("JUPYTER_PLATFORM_DIRS", "1");
    Some(run(&mut command))
}

#[test]
fn a_first_look_at_one_press() {
    let Some(said) = executed("first-look.ipynb") else {
        return;
    };
    println!("{}", said.lines().next().unwrap());
    assert!(
        said.contains("image/svg+xml") && said.contains("text/html"),
        "{said}"
    );
    assert!(said.contains("N/mm"), "{said}");
}

#[test]
fn a_reliability_study_from_pilot_data_to_a_paragraph() {
    let Some(said) = executed("reliability.ipynb") else {
        return;
    };
    println!("{}", said.lines().next().unwrap());
    for words in [
        "ICC(A,1)",
        "standard error of measurement",
        "smallest detectable change",
        "95 % interval",
    ] {
        assert!(said.contains(words), "{words}: {said}");
    }
}
