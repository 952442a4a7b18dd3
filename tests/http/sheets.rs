//! Workbooks that are more than they seem.

use std::io::{Cursor, Write as _};

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use serde_json::json;

use crate::support::{Answer, Server, each_database};

/// A workbook with one sheet of one column: a heading, and a cell of so many letters below.
fn workbook(letters: usize) -> Vec<u8> {
    let relations = "http://schemas.openxmlformats.org/officeDocument/2006/relationships";
    let main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main";
    let packages = "http://schemas.openxmlformats.org/package/2006/relationships";
    let cell = |row: u32, text: &str| {
        format!("<row r=\"{row}\"><c r=\"A{row}\" t=\"inlineStr\"><is><t>{text}</t></is></c></row>")
    };
    let files = [
        (
            "[Content_Types].xml",
            "<Types xmlns=\"http://schemas.openxmlformats.org/package/2006/content-types\"/>"
                .to_owned(),
        ),
        (
            "_rels/.rels",
            format!(
                "<Relationships xmlns=\"{packages}\"><Relationship Id=\"rId1\" Type=\"{relations}/officeDocument\" Target=\"xl/workbook.xml\"/></Relationships>"
            ),
        ),
        (
            "xl/_rels/workbook.xml.rels",
            format!(
                "<Relationships xmlns=\"{packages}\"><Relationship Id=\"rId1\" Type=\"{relations}/worksheet\" Target=\"worksheets/sheet1.xml\"/></Relationships>"
            ),
        ),
        (
            "xl/workbook.xml",
            format!(
                "<workbook xmlns=\"{main}\" xmlns:r=\"{relations}\"><sheets><sheet name=\"Batches\" sheetId=\"1\" r:id=\"rId1\"/></sheets></workbook>"
            ),
        ),
        (
            "xl/worksheets/sheet1.xml",
            format!(
                "<worksheet xmlns=\"{main}\"><sheetData>{}{}</sheetData></worksheet>",
                cell(1, "Coffee"),
                cell(2, &"x".repeat(letters))
            ),
        ),
    ];
    let mut archive = zip::ZipWriter::new(Cursor::new(Vec::new()));
    for (name, text) in files {
        archive
            .start_file(name, zip::write::SimpleFileOptions::default())
            .unwrap();
        archive.write_all(text.as_bytes()).unwrap();
    }
    archive.finish().unwrap().into_inner()
}

/// Lets the archive's directory and headers say that a file unfolds to next to nothing.
fn belittled(mut archive: Vec<u8>) -> Vec<u8> {
    let mut files = zip::ZipArchive::new(Cursor::new(&archive)).unwrap();
    let size = files.by_name("xl/worksheets/sheet1.xml").unwrap().size();
    let truth = u32::try_from(size).unwrap().to_le_bytes();
    let places: Vec<usize> = archive
        .windows(4)
        .enumerate()
        .filter_map(|(at, bytes)| (bytes == truth).then_some(at))
        .collect();
    assert!(!places.is_empty());
    for at in places {
        archive[at..at + 4].copy_from_slice(&100_u32.to_le_bytes());
    }
    archive
}

async fn read(server: &Server, file: &[u8]) -> Answer {
    let body = json!({"file": STANDARD.encode(file)});
    server.post("/api/sheets", &body).await
}

each_database! {
    /// MS-OI29500, notes on ECMA-376 Part 1, section 18.4.12: a cell holds 32,767 characters.
    async fn a_cell_holds_what_the_format_lets_it_hold(server: &Server) {
        let fits = read(server, &workbook(32_767)).await.expect(200);
        assert_eq!(fits["rows"], 1);
        let refused = read(server, &workbook(32_768)).await;
        assert_eq!(refused.pointers(), ["/file"]);
        let detail = refused.json()["detail"].as_str().unwrap().to_owned();
        assert!(detail.contains("cell A2 of the sheet \"Batches\"") && detail.contains("32767"), "{detail}");
    }

    /// A small file that unfolds to more than 64 MB is refused before it is read, whatever it says of itself.
    async fn a_small_file_does_not_unfold_to_a_large_one(server: &Server) {
        let file = workbook(70 << 20);
        assert!(file.len() < 200_000, "{}", file.len());
        for (sent, why) in [(belittled(file.clone()), "cannot be read"), (file, "too large")] {
            let refused = read(server, &sent).await;
            assert_eq!(refused.pointers(), ["/file"]);
            assert!(refused.json()["detail"].as_str().unwrap().contains(why), "{}", refused.text);
        }
    }
}
