// Reads a Parquet file with DuckDB and with hyparquet, fails where they differ, and prints
// what both say as JSON: the schema's name, the columns' metadata, the rows.
//
//   npm install @duckdb/node-api@1.5.6-r.1 hyparquet@1.33.0     (beside a copy of this script)
//   node engines.mjs FILE > engines.json
import { DuckDBInstance } from '@duckdb/node-api'
import { asyncBufferFromFile, parquetMetadataAsync, parquetReadObjects } from 'hyparquet'

const file = process.argv[2]
const plain = (x) => x === undefined || x === null ? null : typeof x === 'bigint' ? x.toString() : x

const connection = await (await DuckDBInstance.create()).connect()
const result = await connection.runAndReadAll(`SELECT * FROM read_parquet('${file}')`)
const names = result.columnNames()
const duck = result.getRows().map((row) => row.map(plain))

const buffer = await asyncBufferFromFile(file)
const metadata = await parquetMetadataAsync(buffer)
const objects = await parquetReadObjects({ file: buffer })
const other = objects.map((row) => names.map((name) => plain(row[name])))
if (JSON.stringify(duck) !== JSON.stringify(other)) {
  console.error('DuckDB and hyparquet differ')
  console.error(JSON.stringify(duck.find((row, i) => JSON.stringify(row) !== JSON.stringify(other[i]))))
  process.exit(1)
}
const said = Object.fromEntries(metadata.key_value_metadata.map(({ key, value }) => [key, value]))
console.log(JSON.stringify({ schema: said['plumbline.schema'], columns: JSON.parse(said['plumbline.columns']), rows: process.argv[3] ? duck.length : duck }))
